-- Exports, all or that of the sale $1, with their time of supply: the day on which the engine was sent or, if earlier,
-- the day on which the payments reached the price.
SELECT e.id, e.sale_id, s.stock_no, e.destination, e.method, e.left_on, e.evidence, e.evidence_on, e.used_before_leaving, s.sale_cancelled_on,
    least(paid.on_day, coalesce(d.on_day, e.left_on)) AS supply_on
FROM exports e
JOIN sales s ON s.id = e.sale_id
LEFT JOIN deliveries d ON d.sale_id = s.id
LEFT JOIN LATERAL (
    SELECT min(sums.on_day) AS on_day
    FROM (SELECT on_day, sum(amount) OVER (ORDER BY on_day, id) AS total FROM payments WHERE payments.sale_id = s.id) sums
    WHERE sums.total >= s.price
) paid ON true
WHERE e.sale_id = $1 OR $1 IS NULL
ORDER BY e.id

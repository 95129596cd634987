-- The amount due for the purchase $1, the cost $2 or the parts $3, with the supplier's tax: 0 for an allowance in part
-- exchange, for an engine that went back to its seller and for a line that was reversed.
SELECT a.stock_no, a.on_day, a.person_id, a.sale_id, 'purchase' AS kind,
    CASE WHEN a.price IS NULL THEN NULL
        WHEN a.method = 'part_exchange' OR EXISTS (SELECT 1 FROM disposals d WHERE d.stock_no = a.stock_no AND d.method = 'returned_to_seller') THEN 0
        ELSE a.price END AS amount
FROM acquisitions a
WHERE a.id = $1
UNION ALL
SELECT c.stock_no, c.on_day, c.person_id, NULL, c.kind,
    CASE WHEN c.reverses_id IS NULL
        THEN c.cost + c.supplier_vat + coalesce((SELECT sum(r.cost + r.supplier_vat) FROM costs r WHERE r.reverses_id = c.id), 0) END
FROM costs c
WHERE c.id = $2
UNION ALL
SELECT j.stock_no, p.on_day, NULL, NULL, 'parts',
    CASE WHEN p.reverses_id IS NULL THEN p.cost + coalesce((SELECT sum(r.cost) FROM job_parts r WHERE r.reverses_id = p.id), 0) END
FROM job_parts p
JOIN jobs j ON j.id = p.job_id
WHERE p.id = $3

-- Cash that passed between the firm and the person $1, and for the sale $2, the acquisition $3, the reservation $4 and
-- the cost $5, in either direction. A deposit counts when it was received, and not again when it is set off. Cash for
-- services only does not count: the rule covers goods.
WITH moves AS (
    SELECT p.on_day, p.amount, p.method, p.notes_into_bank, p.sale_id, NULL::bigint AS acquisition_id, NULL::bigint AS reservation_id,
        NULL::bigint AS cost_id
    FROM payments p
    JOIN sales s ON s.id = p.sale_id
    WHERE p.deposit_id IS NULL AND (s.person_id = $1 OR s.id = $2)
    UNION ALL
    SELECT d.on_day, d.amount, d.method, d.notes_into_bank, p.sale_id, NULL, r.id, NULL
    FROM deposits d
    JOIN reservations r ON r.id = d.reservation_id
    LEFT JOIN payments p ON p.deposit_id = d.id
    WHERE r.person_id = $1 OR r.id = $4 OR p.sale_id = $2
    UNION ALL
    SELECT b.on_day, d.amount, b.method, false, NULL, NULL, r.id, NULL
    FROM deposit_returns b
    JOIN deposits d ON d.id = b.deposit_id
    JOIN reservations r ON r.id = d.reservation_id
    WHERE r.person_id = $1 OR r.id = $4
    UNION ALL
    SELECT p.on_day, p.amount, p.method, false, p.sale_id, NULL, NULL, NULL
    FROM payouts p
    JOIN sales s ON s.id = p.sale_id
    JOIN acquisitions a ON a.stock_no = s.stock_no
    WHERE a.person_id = $1 OR s.id = $2
    UNION ALL
    SELECT o.on_day, o.amount, o.method, false, a.sale_id, a.id, NULL, c.id
    FROM outgoing_payments o
    LEFT JOIN acquisitions a ON a.id = o.acquisition_id
    LEFT JOIN costs c ON c.id = o.cost_id
    WHERE (a.person_id = $1 OR c.person_id = $1 OR a.id = $3 OR a.sale_id = $2 OR c.id = $5)
        AND coalesce(c.kind NOT IN ('carriage_in', 'outside_work', 'tests'), true)
)
SELECT on_day, amount, method, notes_into_bank,
    coalesce(sale_id = $2, false) OR coalesce(acquisition_id = $3, false) OR coalesce(reservation_id = $4, false)
        OR coalesce(cost_id = $5, false) AS of_trade
FROM moves
WHERE method = 'cash' OR notes_into_bank

-- What must be settled before the person $1 is erased: each debt, deposit, reservation and promise that is still open, one row for each.
SELECT 'reservation' AS what, id FROM reservations WHERE person_id = $1 AND ended IS NULL
UNION ALL
SELECT 'deposit', d.id FROM deposits d JOIN reservations r ON r.id = d.reservation_id
WHERE r.person_id = $1 AND NOT EXISTS (SELECT 1 FROM deposit_returns b WHERE b.deposit_id = d.id)
    AND NOT EXISTS (SELECT 1 FROM payments p WHERE p.deposit_id = d.id)
UNION ALL
SELECT 'promise', id FROM promises WHERE person_id = $1 AND ended IS NULL
UNION ALL
SELECT 'sale', s.id FROM sales s
CROSS JOIN LATERAL (SELECT coalesce(sum(p.amount), 0) AS paid FROM payments p WHERE p.sale_id = s.id) money
LEFT JOIN returns r ON r.sale_id = s.id
WHERE s.person_id = $1 AND CASE
    -- A cancelled sale may still owe a refund, but no delivery.
    WHEN s.sale_cancelled_on IS NOT NULL THEN money.paid <> coalesce(r.paid - r.refund, 0)
    ELSE money.paid <> s.price OR NOT EXISTS (SELECT 1 FROM deliveries d WHERE d.sale_id = s.id)
END
UNION ALL
SELECT 'acquisition', a.id FROM acquisitions a
WHERE a.person_id = $1 AND a.method = 'commission' AND NOT EXISTS (SELECT 1 FROM disposals x WHERE x.stock_no = a.stock_no)
    AND NOT EXISTS (SELECT 1 FROM sales s JOIN payouts p ON p.sale_id = s.id WHERE s.stock_no = a.stock_no)
ORDER BY what, id
LIMIT 100

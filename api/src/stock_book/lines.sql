-- Lines of the stock book from the day $1 to the day $2: what was bought by the last day and not gone before the first one,
-- by stock number from the one after $3, $4 lines at most. An engine on commission that is sold in the firm's own name is
-- bought and sold on the day of the sale; any other one on commission is never the firm's.
SELECT a.stock_no, a.id AS acquisition_id, CASE WHEN a.price IS NULL THEN s.on_day ELSE a.on_day END AS bought_on, a.invoice_no AS purchase_invoice_no, a.price AS purchase_price,
    seller.name AS seller,
    left(concat_ws(', ', e.name, replace(e.kind, '_', ' '), e.gauge || ' gauge', e.whyte, 'built by ' || e.builder), 400) AS description,
    a.tax_position, a.commission_percent, a.commission_fixed, s.id AS sale_id, d.id AS disposal_id, coalesce(s.on_day, d.on_day) AS gone_on, s.price, s.invoice_no AS sales_invoice_no,
    d.manner, buyer.name AS buyer, bought.entry_no AS bought_entry_no, gone.entry_no AS gone_entry_no
FROM acquisitions a
JOIN engines e ON e.stock_no = a.stock_no
LEFT JOIN persons seller ON seller.id = a.person_id
LEFT JOIN sales s ON s.stock_no = a.stock_no
LEFT JOIN persons buyer ON buyer.id = s.person_id
LEFT JOIN disposals d ON d.stock_no = a.stock_no
LEFT JOIN journal bought ON bought.stock_no = a.stock_no AND bought.type = 'engine.acquired'
    AND (bought.data ->> 'acquisition_id')::bigint = a.id
LEFT JOIN journal gone ON gone.stock_no = a.stock_no
    AND (gone.type = 'engine.sold' AND (gone.data ->> 'sale_id')::bigint = s.id
        OR gone.type = 'engine.disposed_of' AND (gone.data ->> 'disposal_id')::bigint = d.id)
WHERE (a.price IS NOT NULL AND a.on_day <= $2 OR a.tax_position = 'commission_in_own_name' AND s.on_day <= $2)
    AND coalesce(s.on_day, d.on_day, 'infinity') >= $1 AND a.stock_no > $3
ORDER BY a.stock_no
LIMIT $4

-- Lines of the stock book from the day $1 to the day $2: what came by the last day and was not gone before the first one, by
-- stock number and place from the one after $3 and $5, $4 lines at most. An engine stays in the book until it is sold or goes
-- otherwise; when the sale is undone, this is a line of its own and a new stay begins. An engine on commission that is sold in
-- the firm's own name is bought and sold on the day of the sale; any other one on commission is never the firm's.
WITH stays AS (
    SELECT a.*, s.nth, s.own_sale_id, s.on_day AS sold_on, s.price AS sale_price, s.buyer_id, s.sales_invoice_no, s.undone_on, s.in_again_on
    FROM acquisitions a
    CROSS JOIN LATERAL (
        SELECT row_number() OVER (ORDER BY id) AS nth, id AS own_sale_id, on_day, price, person_id AS buyer_id, invoice_no AS sales_invoice_no,
            undone_on, lag(undone_on) OVER (ORDER BY id) AS in_again_on
        FROM sales
        WHERE sales.stock_no = a.stock_no
        UNION ALL
        SELECT count(*) + 1, NULL, NULL, NULL, NULL, NULL, NULL, max(undone_on)
        FROM sales
        WHERE sales.stock_no = a.stock_no
        HAVING count(*) = count(undone_on)
    ) s
    WHERE a.price IS NOT NULL OR a.tax_position = 'commission_in_own_name' AND s.own_sale_id IS NOT NULL
), lines AS (
    SELECT stays.*, 2 * nth - 1 AS place, NULL::date AS returned_on,
        CASE WHEN price IS NULL THEN sold_on ELSE coalesce(in_again_on, on_day) END AS from_day,
        CASE WHEN price IS NULL THEN sold_on ELSE on_day END AS bought_on
    FROM stays
    UNION ALL
    SELECT stays.*, 2 * nth, undone_on, undone_on, CASE WHEN price IS NULL THEN sold_on ELSE on_day END
    FROM stays
    WHERE undone_on IS NOT NULL
)
SELECT a.stock_no, a.place, a.id AS acquisition_id, a.bought_on, CASE WHEN a.price IS NOT NULL THEN a.in_again_on END AS in_again_on, a.returned_on,
    a.invoice_no AS purchase_invoice_no, a.price AS purchase_price, seller.name AS seller,
    left(concat_ws(', ', e.name, replace(e.kind, '_', ' '), e.gauge || ' gauge', e.whyte, 'built by ' || e.builder), 400) AS description,
    a.tax_position, a.commission_percent, a.commission_fixed, a.own_sale_id AS sale_id, d.id AS disposal_id, coalesce(a.sold_on, d.on_day) AS gone_on,
    a.sale_price AS price, a.sales_invoice_no, d.manner, buyer.name AS buyer, r.id AS return_id, r.credit_note_no, bought.entry_no AS bought_entry_no,
    gone.entry_no AS gone_entry_no
FROM lines a
JOIN engines e ON e.stock_no = a.stock_no
LEFT JOIN persons seller ON seller.id = a.person_id
LEFT JOIN persons buyer ON buyer.id = a.buyer_id
LEFT JOIN disposals d ON d.stock_no = a.stock_no AND a.own_sale_id IS NULL
LEFT JOIN returns r ON r.sale_id = a.own_sale_id AND a.returned_on IS NOT NULL
LEFT JOIN journal bought ON bought.stock_no = a.stock_no AND bought.type = 'engine.acquired'
    AND (bought.data ->> 'acquisition_id')::bigint = a.id
LEFT JOIN journal gone ON gone.stock_no = a.stock_no
    AND (a.returned_on IS NULL AND gone.type = 'engine.sold' AND (gone.data ->> 'sale_id')::bigint = a.own_sale_id
        OR gone.type IN ('engine.returned', 'sale.called_off') AND (gone.data ->> 'return_id')::bigint = r.id
        OR gone.type = 'engine.disposed_of' AND (gone.data ->> 'disposal_id')::bigint = d.id)
WHERE a.from_day <= $2 AND coalesce(a.returned_on, a.sold_on, d.on_day, 'infinity') >= $1 AND (a.stock_no, a.place) > ($3, $5)
ORDER BY a.stock_no, a.place
LIMIT $4

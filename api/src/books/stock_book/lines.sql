-- Lines of the stock book from the day $1 to the day $2: engines that arrived by the last day and were not gone before
-- the first, by stock number and place after $3 and $5, at most $4 lines; also those of the sales $6, exports whose tax
-- fell due or was taken back within the days. An engine stays in the book until it is sold or disposed of; a cancelled
-- sale has a line of its own, and a new stay begins. An engine on commission sold in the firm's own name is bought and
-- sold on the day of the sale; other engines on commission never belong to the firm.
SELECT a.stock_no, l.place, a.id AS acquisition_id, l.bought_on, CASE WHEN a.price IS NOT NULL THEN s.in_again_on END AS in_again_on, l.returned_on,
    a.invoice_no AS purchase_invoice_no, a.price AS purchase_price, seller.name AS seller,
    left(concat_ws(', ', e.name, replace(e.kind, '_', ' '), e.gauge || ' gauge', e.whyte, 'built by ' || e.builder), 400) AS description,
    a.tax_position, a.commission_percent, a.commission_fixed, s.id AS sale_id, d.id AS disposal_id, coalesce(s.on_day, d.on_day) AS gone_on,
    s.price, s.invoice_no AS sales_invoice_no, d.method, buyer.name AS buyer, r.id AS return_id, r.credit_note_no,
    (SELECT entry_no FROM journal WHERE stock_no = a.stock_no AND type = 'engine.acquired' AND (data ->> 'acquisition_id')::bigint = a.id) AS bought_entry_no,
    (SELECT entry_no FROM journal WHERE stock_no = a.stock_no AND (l.returned_on IS NULL AND type = 'engine.sold' AND (data ->> 'sale_id')::bigint = s.id
        OR type IN ('engine.returned', 'sale.cancelled') AND (data ->> 'return_id')::bigint = r.id
        OR type = 'engine.disposed_of' AND (data ->> 'disposal_id')::bigint = d.id)) AS gone_entry_no
FROM acquisitions a
-- Its stays in stock, the last one without a sale.
CROSS JOIN LATERAL (
    SELECT row_number() OVER (ORDER BY id) AS nth, id, on_day, price, person_id, invoice_no, sale_cancelled_on, lag(sale_cancelled_on) OVER (ORDER BY id) AS in_again_on
    FROM sales
    WHERE sales.stock_no = a.stock_no
    UNION ALL
    SELECT count(*) + 1, NULL, NULL, NULL, NULL, NULL, NULL, max(sale_cancelled_on)
    FROM sales
    WHERE sales.stock_no = a.stock_no
    HAVING count(*) = count(sale_cancelled_on)
) s
CROSS JOIN LATERAL (
    SELECT 2 * s.nth - 1 AS place, NULL::date AS returned_on, CASE WHEN a.price IS NULL THEN s.on_day ELSE coalesce(s.in_again_on, a.on_day) END AS from_day,
        CASE WHEN a.price IS NULL THEN s.on_day ELSE a.on_day END AS bought_on
    UNION ALL
    SELECT 2 * s.nth, s.sale_cancelled_on, s.sale_cancelled_on, CASE WHEN a.price IS NULL THEN s.on_day ELSE a.on_day END
    WHERE s.sale_cancelled_on IS NOT NULL
) l
-- PostgreSQL passes only equalities across a join, so the start of the page is given for each table.
JOIN engines e ON e.stock_no = a.stock_no AND e.stock_no >= $3
LEFT JOIN persons seller ON seller.id = a.person_id
LEFT JOIN persons buyer ON buyer.id = s.person_id
LEFT JOIN disposals d ON d.stock_no = a.stock_no AND d.stock_no >= $3 AND s.id IS NULL
LEFT JOIN returns r ON r.sale_id = s.id AND l.returned_on IS NOT NULL
WHERE (a.price IS NOT NULL OR a.tax_position = 'commission_in_own_name' AND s.id IS NOT NULL)
    AND a.stock_no >= $3
    AND l.from_day <= $2 AND (coalesce(l.returned_on, s.on_day, d.on_day, 'infinity') >= $1 OR l.returned_on IS NULL AND s.id = ANY ($6)) AND (a.stock_no, l.place) > ($3, $5)
ORDER BY a.stock_no, l.place
LIMIT $4

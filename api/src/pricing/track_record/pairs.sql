-- The firm's own sales of a period, without cancelled ones, each with the last valuation made before the sale was
-- recorded.
SELECT s.id AS sale_id, s.stock_no, s.on_day, s.price, v.id AS valuation_id, v.low, v.likely, v.high,
    (v.answer ->> 'level_percent')::integer AS level_percent
FROM sales s
JOIN journal j ON j.type = 'engine.sold' AND j.stock_no = s.stock_no AND (j.data ->> 'sale_id')::bigint = s.id
LEFT JOIN LATERAL (
    SELECT * FROM valuations v
    WHERE v.stock_no = s.stock_no AND v.on_day <= s.on_day AND v.made_at < j.at
    ORDER BY v.on_day DESC, v.id DESC
    LIMIT 1
) v ON true
WHERE s.on_day BETWEEN $1 AND $2 AND s.sale_cancelled_on IS NULL
ORDER BY s.on_day DESC, s.id DESC
LIMIT 10000

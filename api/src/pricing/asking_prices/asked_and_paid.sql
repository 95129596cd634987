-- The first asking price of each engine sold up to a day, and the price paid.
SELECT a.price AS asked, s.price AS paid
FROM sales s
JOIN LATERAL (SELECT price FROM asking_prices a WHERE a.stock_no = s.stock_no ORDER BY a.id LIMIT 1) a ON true
WHERE s.on_day <= $1 AND s.sale_cancelled_on IS NULL
LIMIT 10000

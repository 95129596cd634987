-- The firm's own engines in stock at the end of the day $1, by stock number after $2, at most $3: purchase price,
-- expected price, the write-down in the last valuation kept before that day, and their sale up to the day $4 unless it
-- was cancelled.
SELECT a.stock_no, a.tax_position, a.price - CASE WHEN a.tax_position = 'not_registered' THEN 0 ELSE a.supplier_vat END AS purchase, p.price AS asking_price, v.likely,
    coalesce(k.cost - k.carrying_amount, 0) AS written_down_before, s.on_day AS sold_after_on, s.price AS sold_after_price,
    coalesce(s.value_changed_on > $1, false) AS changed_before_sale, w.price AS as_it_stands
FROM acquisitions a
LEFT JOIN LATERAL (
    SELECT on_day, price, value_changed_on FROM sales
    WHERE sales.stock_no = a.stock_no AND sales.on_day > $1 AND sales.on_day <= $4 AND sales.sale_cancelled_on IS NULL
    LIMIT 1
) s ON true
LEFT JOIN LATERAL (
    SELECT price FROM asking_prices WHERE asking_prices.stock_no = a.stock_no AND asking_prices.on_day <= $1
    ORDER BY asking_prices.id DESC LIMIT 1
) p ON true
LEFT JOIN LATERAL (
    SELECT price FROM as_it_stands_prices WHERE as_it_stands_prices.stock_no = a.stock_no AND as_it_stands_prices.on_day <= $1
    ORDER BY as_it_stands_prices.on_day DESC, as_it_stands_prices.id DESC LIMIT 1
) w ON true
LEFT JOIN LATERAL (
    SELECT likely FROM valuations WHERE valuations.stock_no = a.stock_no AND valuations.on_day <= $1
    ORDER BY valuations.on_day DESC, valuations.id DESC LIMIT 1
) v ON true
LEFT JOIN LATERAL (
    SELECT l.cost, l.carrying_amount
    FROM closing_stock_lines l
    JOIN closing_stock kept ON kept.id = l.closing_stock_id
    WHERE l.stock_no = a.stock_no AND kept.on_day < $1 AND NOT gone_by(l.stock_no, kept.on_day)
    ORDER BY kept.on_day DESC LIMIT 1
) k ON true
WHERE a.price IS NOT NULL AND a.on_day <= $1 AND a.stock_no > $2
    AND NOT gone_by(a.stock_no, $1)
ORDER BY a.stock_no
LIMIT $3

-- The lines of the kept stock valuation $1, by stock number after $2, at most $3, with the sale of each engine within
-- $4 days of that day.
SELECT l.stock_no, l.purchase, l.price, l.price_from, l.cost_to_come, l.cost, l.net_realisable_value, l.carrying_amount_before,
    l.as_it_stands_price, l.used, l.net_realisable_value_as_it_stands, l.write_down, l.reversal, l.carrying_amount, s.on_day AS sold_after_on, s.price AS sold_after_price
FROM closing_stock_lines l
JOIN closing_stock k ON k.id = l.closing_stock_id
LEFT JOIN sales s ON s.stock_no = l.stock_no AND s.on_day > k.on_day AND s.on_day <= k.on_day + $4 AND s.sale_cancelled_on IS NULL
WHERE l.closing_stock_id = $1 AND l.stock_no > $2
ORDER BY l.stock_no
LIMIT $3

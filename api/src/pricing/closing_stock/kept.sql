-- The lines of the kept value $1, by stock number from the one after $2, $3 at most, with the sale of each engine that came
-- within $4 days of that day.
SELECT l.stock_no, l.purchase, l.price, l.price_from, l.cost_to_come, l.cost, l.net_realisable_value, l.carrying_amount_before,
    l.as_it_stands_price, l.used, l.net_realisable_value_as_it_stands, l.write_down, l.reversal, l.carrying_amount, s.on_day AS sold_after_on, s.price AS sold_after_price
FROM stock_value_lines l
JOIN stock_values k ON k.id = l.stock_value_id
LEFT JOIN sales s ON s.stock_no = l.stock_no AND s.on_day > k.on_day AND s.on_day <= k.on_day + $4 AND s.undone_on IS NULL
WHERE l.stock_value_id = $1 AND l.stock_no > $2
ORDER BY l.stock_no
LIMIT $3

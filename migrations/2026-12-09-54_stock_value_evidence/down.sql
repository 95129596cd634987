ALTER TABLE stock_value_lines DROP CONSTRAINT stock_value_lines_value;
ALTER TABLE stock_value_lines DROP COLUMN as_it_stands_price, DROP COLUMN used, DROP COLUMN net_realisable_value_as_it_stands;
ALTER TABLE stock_value_lines ADD CONSTRAINT stock_value_lines_value CHECK ((price IS NULL) = (net_realisable_value IS NULL));
ALTER TABLE stock_values DROP COLUMN selling_share_percent;
DROP TABLE as_it_stands_prices;
ALTER TABLE sales DROP COLUMN value_changed_on;

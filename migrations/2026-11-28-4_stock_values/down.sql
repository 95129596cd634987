DROP TABLE stock_value_lines;
DROP TABLE stock_values;

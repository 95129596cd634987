DROP TABLE stock_value_lines, stock_values, as_it_stands_prices, owner_tellings, asking_prices, back_tests, valuations, fits, comparables, sales_learned, guides;

DROP TABLE closing_stock_lines, closing_stock, as_it_stands_prices, owner_notifications, asking_prices, back_tests, valuations, price_models, comparables, sales_learned, price_scales;

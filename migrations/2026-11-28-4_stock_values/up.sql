CREATE TABLE stock_values (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    on_day date NOT NULL CONSTRAINT stock_values_one_a_day UNIQUE,
    kept_on date NOT NULL,
    selling_cost numeric(12, 2) NOT NULL CONSTRAINT stock_values_selling_cost CHECK (selling_cost >= 0),
    CONSTRAINT stock_values_order CHECK (kept_on > on_day)
);
COMMENT ON TABLE stock_values IS 'Values of the stock that were kept, one for a day; what was written down is counted from the last one.';
COMMENT ON COLUMN stock_values.on_day IS 'The stock at the end of this day.';
COMMENT ON COLUMN stock_values.selling_cost IS 'Of one engine.';

CREATE TABLE stock_value_lines (
    stock_value_id bigint NOT NULL REFERENCES stock_values,
    stock_no integer NOT NULL REFERENCES engines,
    purchase numeric(12, 2) NOT NULL,
    price numeric(12, 2),
    price_from text,
    cost_to_come numeric(12, 2) NOT NULL,
    cost numeric(12, 2) NOT NULL,
    net_realisable_value numeric(12, 2),
    carrying_amount_before numeric(12, 2) NOT NULL,
    write_down numeric(12, 2) NOT NULL,
    reversal numeric(12, 2) NOT NULL,
    carrying_amount numeric(12, 2) NOT NULL,
    PRIMARY KEY (stock_value_id, stock_no),
    CONSTRAINT stock_value_lines_price CHECK ((price IS NULL) = (price_from IS NULL)),
    CONSTRAINT stock_value_lines_value CHECK ((price IS NULL) = (net_realisable_value IS NULL)),
    CONSTRAINT stock_value_lines_carrying_amount CHECK (carrying_amount BETWEEN 0 AND cost),
    CONSTRAINT stock_value_lines_change CHECK (carrying_amount = carrying_amount_before - write_down + reversal)
);
CREATE INDEX stock_value_lines_stock_no ON stock_value_lines (stock_no);
COMMENT ON TABLE stock_value_lines IS 'Each engine of a kept value of the stock.';
COMMENT ON COLUMN stock_value_lines.price IS 'What it was expected to fetch; NULL where nobody knew.';
COMMENT ON COLUMN stock_value_lines.net_realisable_value IS 'NULL without a price.';

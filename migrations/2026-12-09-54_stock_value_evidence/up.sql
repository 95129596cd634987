ALTER TABLE sales ADD COLUMN value_changed_on date;
COMMENT ON COLUMN sales.value_changed_on IS 'Day of an event that changed what the engine was worth before it was sold, as damage does: the price tells nothing of days before it. NULL: none.';

CREATE TABLE as_it_stands_prices (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    on_day date NOT NULL,
    price numeric(12, 2) NOT NULL CONSTRAINT as_it_stands_prices_price CHECK (price >= 0),
    because text NOT NULL
);
CREATE INDEX as_it_stands_prices_stock_no ON as_it_stands_prices (stock_no, on_day);
COMMENT ON TABLE as_it_stands_prices IS 'What engines would fetch unfinished, tax included; the last one up to a day holds on it.';
COMMENT ON COLUMN as_it_stands_prices.because IS 'What it rests on.';

ALTER TABLE stock_values ADD COLUMN selling_share_percent numeric(5, 2);
COMMENT ON COLUMN stock_values.selling_share_percent IS 'Share of the price that selling costs; NULL: none.';
ALTER TABLE stock_value_lines
    ADD COLUMN as_it_stands_price numeric(12, 2),
    ADD COLUMN used text,
    ADD COLUMN net_realisable_value_as_it_stands numeric(12, 2);
COMMENT ON COLUMN stock_value_lines.as_it_stands_price IS 'What it would fetch unfinished; NULL: not told.';
COMMENT ON COLUMN stock_value_lines.used IS 'Which of the two net realisable values was used, the better one; NULL without a price, and where only one was known.';
COMMENT ON COLUMN stock_value_lines.net_realisable_value_as_it_stands IS 'As it stands: without what finishing costs; NULL: no such price.';
-- An engine without an asking price or a valuation may have a price as it stands.
ALTER TABLE stock_value_lines DROP CONSTRAINT stock_value_lines_value;
ALTER TABLE stock_value_lines ADD CONSTRAINT stock_value_lines_value
    CHECK ((price IS NULL AND as_it_stands_price IS NULL) = (net_realisable_value IS NULL));

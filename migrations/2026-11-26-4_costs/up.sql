CREATE TABLE costs (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    kind text NOT NULL CONSTRAINT costs_kind CHECK (kind IN ('carriage_in', 'parts', 'outside_work', 'tests', 'other')),
    on_day date NOT NULL,
    cost numeric(12, 2) NOT NULL,
    supplier_vat numeric(12, 2) NOT NULL,
    invoice_no text,
    person_id bigint REFERENCES persons,
    entered_by text NOT NULL,
    note text,
    reverses_id bigint CONSTRAINT costs_reversed_once UNIQUE REFERENCES costs,
    CONSTRAINT costs_sign CHECK ((reverses_id IS NULL AND cost >= 0 AND supplier_vat >= 0)
        OR (reverses_id IS NOT NULL AND cost <= 0 AND supplier_vat <= 0))
);
CREATE INDEX costs_stock_no ON costs (stock_no);
COMMENT ON TABLE costs IS 'What was spent on engines besides purchase, hours and parts of jobs; a wrong line is reversed by another, never edited.';
COMMENT ON COLUMN costs.cost IS 'Net of the supplier''s tax.';
COMMENT ON COLUMN costs.person_id IS 'The supplier.';

CREATE TABLE hour_rates (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    fitter text NOT NULL,
    from_day date NOT NULL,
    book_rate numeric(12, 2) NOT NULL CONSTRAINT hour_rates_book_rate CHECK (book_rate >= 0),
    worth_rate numeric(12, 2) NOT NULL CONSTRAINT hour_rates_worth_rate CHECK (worth_rate >= 0),
    CONSTRAINT hour_rates_one_a_day UNIQUE (fitter, from_day)
);
COMMENT ON TABLE hour_rates IS 'What an hour of a fitter costs and is worth, from a day on until the next row of that fitter.';
COMMENT ON COLUMN hour_rates.book_rate IS 'For the books; 0 for a proprietor''s own hours.';
COMMENT ON COLUMN hour_rates.worth_rate IS 'For the break-even price.';

CREATE TABLE tax_periods (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    from_day date NOT NULL,
    until_day date NOT NULL CONSTRAINT tax_periods_until UNIQUE,
    closed_on date NOT NULL,
    CONSTRAINT tax_periods_order CHECK (until_day >= from_day AND closed_on > until_day)
);
COMMENT ON TABLE tax_periods IS 'Closed tax periods, one after the other; nothing is dated on or before the last day of the last one.';

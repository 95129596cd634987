CREATE TABLE accounts (
    account text PRIMARY KEY,
    number text,
    name text
);
COMMENT ON TABLE accounts IS 'The firm''s own numbers and names for what amounts are booked to; a missing row has neither.';

CREATE INDEX sales_on_day ON sales (on_day, id);
CREATE INDEX payments_on_day ON payments (on_day, id);
CREATE INDEX costs_on_day ON costs (on_day, id);
CREATE INDEX job_hours_on_day ON job_hours (on_day, id);
CREATE INDEX job_parts_on_day ON job_parts (on_day, id);
CREATE INDEX journal_stock_values ON journal (id) WHERE type = 'stock.value_kept';

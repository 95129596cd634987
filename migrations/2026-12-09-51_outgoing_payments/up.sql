INSERT INTO tax_rules (jurisdiction, rule, value, unit, valid_from, valid_until, source, mark, note) VALUES
    ('GB', 'cash_linked_days', 30, 'days', NULL, NULL, 'common practice, no source: the firm''s own prudence', 'common_practice', 'Cash received from a person and paid to the same within so many days is one sum; at other times it is a question for a person.');

CREATE TABLE outgoing_payments (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    acquisition_id bigint REFERENCES acquisitions,
    cost_id bigint REFERENCES costs,
    parts_id bigint REFERENCES job_parts,
    on_day date NOT NULL,
    amount numeric(12, 2) NOT NULL CONSTRAINT outgoing_payments_amount CHECK (amount <> 0),
    method text NOT NULL CONSTRAINT outgoing_payments_method CHECK (method IN ('transfer', 'card', 'cash', 'cheque')),
    note text,
    CONSTRAINT outgoing_payments_for_one CHECK (num_nonnulls(acquisition_id, cost_id, parts_id) = 1)
);
CREATE INDEX outgoing_payments_acquisition ON outgoing_payments (acquisition_id);
CREATE INDEX outgoing_payments_cost ON outgoing_payments (cost_id);
CREATE INDEX outgoing_payments_parts ON outgoing_payments (parts_id);
CREATE INDEX outgoing_payments_day ON outgoing_payments (on_day, id);
COMMENT ON TABLE outgoing_payments IS 'Money paid to the sellers of engines and to suppliers.';
COMMENT ON COLUMN outgoing_payments.acquisition_id IS 'The purchase that it pays; NULL: it pays something else.';
COMMENT ON COLUMN outgoing_payments.cost_id IS 'The cost that it pays; NULL: it pays something else.';
COMMENT ON COLUMN outgoing_payments.parts_id IS 'The parts of a job that it pays; NULL: it pays something else.';
COMMENT ON COLUMN outgoing_payments.amount IS 'Below 0 when it came back.';
INSERT INTO outgoing_payments (acquisition_id, on_day, amount, method)
SELECT id, on_day, price, paid_by FROM acquisitions WHERE paid_by IS NOT NULL AND price > 0 ORDER BY id;

CREATE TABLE offers (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    person_id bigint NOT NULL REFERENCES persons,
    on_day date NOT NULL,
    amount numeric(12, 2) NOT NULL CONSTRAINT offers_amount CHECK (amount > 0),
    until_day date,
    note text,
    CONSTRAINT offers_until CHECK (until_day >= on_day)
);
CREATE INDEX offers_stock_no ON offers (stock_no);
CREATE INDEX offers_person ON offers (person_id);
COMMENT ON TABLE offers IS 'What somebody would pay for an engine.';
COMMENT ON COLUMN offers.until_day IS 'The last day on which it holds; NULL: no end was said.';

CREATE TABLE offer_answers (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    offer_id bigint NOT NULL REFERENCES offers,
    answer text NOT NULL CONSTRAINT offer_answers_answer CHECK (answer IN ('accepted', 'declined', 'countered', 'withdrawn')),
    on_day date NOT NULL,
    amount numeric(12, 2) CONSTRAINT offer_answers_amount CHECK (amount > 0),
    CONSTRAINT offer_answers_countered CHECK ((answer = 'countered') = (amount IS NOT NULL))
);
CREATE INDEX offer_answers_offer ON offer_answers (offer_id, id);
COMMENT ON TABLE offer_answers IS 'What was answered to an offer; the last one counts.';
COMMENT ON COLUMN offer_answers.amount IS 'What the firm would take in its place; NULL unless it countered.';

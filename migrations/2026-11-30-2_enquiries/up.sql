CREATE TABLE enquiries (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    person_id bigint NOT NULL REFERENCES persons,
    key_id bigint NOT NULL REFERENCES keys,
    on_day date NOT NULL,
    stock_no integer REFERENCES engines,
    wanted_kind text,
    wanted_gauges text[] NOT NULL DEFAULT '{}',
    wanted_scale text,
    wanted_whyte text,
    most_to_pay numeric(12, 2) CONSTRAINT enquiries_most_to_pay CHECK (most_to_pay > 0),
    words text,
    follow_up_on date,
    closed_on date,
    closed_because text,
    CONSTRAINT enquiries_closed CHECK (closed_because IS NULL OR closed_on IS NOT NULL),
    CONSTRAINT enquiries_closed_on CHECK (closed_on >= on_day)
);
CREATE INDEX enquiries_open ON enquiries (follow_up_on) WHERE closed_on IS NULL;
CREATE INDEX enquiries_person ON enquiries (person_id);
CREATE INDEX enquiries_stock_no ON enquiries (stock_no) WHERE stock_no IS NOT NULL;
COMMENT ON TABLE enquiries IS 'What somebody asked: about an engine, or for one that is wanted, or both.';
COMMENT ON COLUMN enquiries.wanted_gauges IS 'As they were written; any of them will do. Empty: any gauge.';
COMMENT ON COLUMN enquiries.follow_up_on IS 'The day to come back to it; NULL: no day is set.';

CREATE TABLE promises (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    person_id bigint NOT NULL REFERENCES persons,
    given_on date NOT NULL,
    what text NOT NULL CONSTRAINT promises_what CHECK (what IN ('ready_for_collection', 'delivered', 'at_inspector', 'other')),
    words text,
    on_day date NOT NULL,
    ended text CONSTRAINT promises_ended CHECK (ended IN ('kept', 'broken', 'withdrawn')),
    ended_on date,
    because text,
    CONSTRAINT promises_words CHECK (what <> 'other' OR words IS NOT NULL OR ended IS NOT NULL),
    CONSTRAINT promises_end CHECK ((ended IS NULL) = (ended_on IS NULL)),
    CONSTRAINT promises_on_day CHECK (on_day >= given_on)
);
CREATE INDEX promises_open ON promises (on_day) WHERE ended IS NULL;
CREATE INDEX promises_stock_no ON promises (stock_no);
CREATE INDEX promises_person ON promises (person_id);
COMMENT ON TABLE promises IS 'Days given to somebody. The day on which a sold engine is to leave stands with its sale and not here.';
COMMENT ON COLUMN promises.ended IS 'NULL: open.';

ALTER TABLE jobs ADD COLUMN expected_on date;
COMMENT ON COLUMN jobs.expected_on IS 'When the part on order, or the work by others, that the job waits for is expected; NULL: it waits for nothing, or nobody said.';

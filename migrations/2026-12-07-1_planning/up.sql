ALTER TABLE firm
    ADD benches integer NOT NULL DEFAULT 3 CONSTRAINT firm_benches CHECK (benches BETWEEN 0 AND 100),
    ADD steaming_bays integer NOT NULL DEFAULT 1 CONSTRAINT firm_steaming_bays CHECK (steaming_bays BETWEEN 0 AND 100);
COMMENT ON COLUMN firm.benches IS 'How many engines can be worked at at once.';
COMMENT ON COLUMN firm.steaming_bays IS 'How many engines can be in steam at once.';

CREATE TABLE fitters (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    name text NOT NULL CONSTRAINT fitters_name UNIQUE,
    skills text[] NOT NULL,
    weekly_hours numeric(4, 2)[] NOT NULL CONSTRAINT fitters_weekly_hours
        CHECK (cardinality(weekly_hours) = 7 AND array_position(weekly_hours, NULL) IS NULL AND 0 <= ALL (weekly_hours) AND 24 >= ALL (weekly_hours)),
    until_day date
);
COMMENT ON TABLE fitters IS 'Who works in the shop, and when.';
COMMENT ON COLUMN fitters.name IS 'Written as on the hours that are booked.';
COMMENT ON COLUMN fitters.weekly_hours IS 'From Monday to Sunday.';
COMMENT ON COLUMN fitters.until_day IS 'The last day; NULL: no end is known.';

CREATE TABLE days_off (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    fitter_id bigint REFERENCES fitters,
    from_day date NOT NULL,
    until_day date NOT NULL,
    words text,
    CONSTRAINT days_off_order CHECK (until_day BETWEEN from_day AND from_day + 366)
);
COMMENT ON TABLE days_off IS 'Days on which nobody works, or one fitter does not.';
COMMENT ON COLUMN days_off.fitter_id IS 'NULL: the works are shut.';

CREATE TABLE inspector_visits (
    on_day date PRIMARY KEY,
    tests integer NOT NULL CONSTRAINT inspector_visits_tests CHECK (tests BETWEEN 1 AND 100),
    words text
);
COMMENT ON TABLE inspector_visits IS 'Days on which the inspector comes.';
COMMENT ON COLUMN inspector_visits.tests IS 'How many tests he sees on it.';

CREATE TABLE test_terms (
    test text PRIMARY KEY,
    hours numeric(4, 2) NOT NULL CONSTRAINT test_terms_hours CHECK (hours BETWEEN 0 AND 24),
    fee numeric(12, 2) NOT NULL CONSTRAINT test_terms_fee CHECK (fee >= 0)
);
COMMENT ON TABLE test_terms IS 'What a test takes of a fitter, and what others are paid for it.';
INSERT INTO test_terms (test, hours, fee) VALUES
    ('hydraulic_first', 3, 0), ('hydraulic_repeat', 2, 0), ('steam', 3, 0), ('gas_tank', 1, 0), ('external_examination', 2, 0),
    ('internal_examination', 3, 0), ('ultrasonic', 2, 0);

ALTER TABLE jobs
    ADD skill text,
    ADD fitter_id bigint REFERENCES fitters,
    ADD work_place text CONSTRAINT jobs_work_place CHECK (work_place IN ('bench', 'steaming_bay')),
    ADD days_away integer CONSTRAINT jobs_days_away CHECK (days_away BETWEEN 1 AND 366),
    ADD parts_expected numeric(12, 2) CONSTRAINT jobs_parts_expected CHECK (parts_expected >= 0),
    ADD chased_by text;
COMMENT ON COLUMN jobs.skill IS 'NULL: any fitter can do it.';
COMMENT ON COLUMN jobs.fitter_id IS 'Who is to do it; NULL: whoever has the skill and the hours.';
COMMENT ON COLUMN jobs.work_place IS 'What the engine takes meanwhile; NULL: no room of the shop.';
COMMENT ON COLUMN jobs.days_away IS 'How long others have it; NULL: it is done in the shop.';
COMMENT ON COLUMN jobs.parts_expected IS 'What its parts are expected to cost in all, net.';
COMMENT ON COLUMN jobs.chased_by IS 'Who asks after the part, or the work by others, that it waits for.';

CREATE TABLE job_needs (
    job_id bigint NOT NULL REFERENCES jobs,
    needs_id bigint NOT NULL REFERENCES jobs,
    PRIMARY KEY (job_id, needs_id),
    CONSTRAINT job_needs_another CHECK (job_id <> needs_id)
);
CREATE INDEX job_needs_needs ON job_needs (needs_id);
COMMENT ON TABLE job_needs IS 'Jobs that have to be finished before another is begun.';

CREATE TABLE plans (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    made_on date NOT NULL,
    from_day date NOT NULL,
    until_day date NOT NULL,
    answer jsonb NOT NULL
);
COMMENT ON TABLE plans IS 'Plans of the workshop, as they were made; kept for ever, to be held against what happened.';

CREATE TABLE tests (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    boiler_id bigint NOT NULL REFERENCES boilers,
    test text NOT NULL,
    on_day date NOT NULL,
    at time,
    pressure text,
    hold_minutes integer CONSTRAINT tests_hold CHECK (hold_minutes BETWEEN 0 AND 1440),
    highest_pressure text,
    passed boolean,
    boiler_number text,
    inspector text,
    inspector_interest boolean,
    notes text
);
CREATE INDEX tests_boiler ON tests (boiler_id, on_day);
COMMENT ON TABLE tests IS 'Tests of boilers with their readings; NULL means not recorded.';
COMMENT ON COLUMN tests.boiler_number IS 'The number that the tester read or wrote.';

CREATE TABLE certificates (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    boiler_id bigint NOT NULL REFERENCES boilers,
    test_id bigint NOT NULL CONSTRAINT certificates_one_per_test UNIQUE REFERENCES tests,
    number text NOT NULL,
    issuer text NOT NULL,
    issued_on date NOT NULL,
    stated_until date,
    boiler_number text NOT NULL,
    covers text
);
CREATE INDEX certificates_boiler ON certificates (boiler_id);
COMMENT ON TABLE certificates IS 'Papers issued on tests; kept as they are written, also where they name another boiler.';
COMMENT ON COLUMN certificates.stated_until IS 'The expiry printed on the paper; NULL: none is printed.';

CREATE TABLE boiler_codes (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    jurisdiction text NOT NULL,
    name text NOT NULL,
    CONSTRAINT boiler_codes_name UNIQUE (jurisdiction, name)
);
COMMENT ON TABLE boiler_codes IS 'Named sets of test rules of one jurisdiction.';

CREATE TABLE tests (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    boiler_id bigint NOT NULL REFERENCES boilers,
    test text NOT NULL,
    on_day date NOT NULL,
    at text CONSTRAINT tests_at CHECK (at ~ '^([01][0-9]|2[0-3]):[0-5][0-9]$'),
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
COMMENT ON COLUMN tests.at IS 'Time of day such as 15:00, where the order of a job and a test on one day matters.';
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

CREATE TABLE boiler_code_rules (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    code_id bigint NOT NULL REFERENCES boiler_codes,
    rule text NOT NULL,
    material text,
    band text,
    first_service_from date,
    value numeric(12, 4) CONSTRAINT boiler_code_rules_value CHECK (value > 0),
    unit text NOT NULL,
    effect text NOT NULL,
    valid_from date,
    valid_until date,
    source text NOT NULL,
    mark text NOT NULL,
    note text,
    CONSTRAINT boiler_code_rules_order CHECK (valid_until >= valid_from)
);
CREATE INDEX boiler_code_rules_code ON boiler_code_rules (code_id);
COMMENT ON TABLE boiler_code_rules IS 'The test rules of boiler codes, one dated row each; a row is ended and another added, never edited.';
COMMENT ON COLUMN boiler_code_rules.material IS 'NULL: any; so are band and first_service_from.';
COMMENT ON COLUMN boiler_code_rules.value IS 'In the unit named; NULL where the unit says it all.';
COMMENT ON COLUMN boiler_code_rules.valid_from IS 'First day; NULL: the source prints none, and the row also holds for older tests.';
COMMENT ON COLUMN boiler_code_rules.valid_until IS 'Last day, inclusive; NULL: in force.';
COMMENT ON COLUMN boiler_code_rules.mark IS 'How sure the row is.';

CREATE TABLE fitters (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    name text NOT NULL CONSTRAINT fitters_name UNIQUE,
    skills text[] NOT NULL,
    weekly_hours numeric(4, 2)[] NOT NULL CONSTRAINT fitters_weekly_hours CHECK (cardinality(weekly_hours) = 7 AND array_position(weekly_hours, NULL) IS NULL AND 0 <= ALL (weekly_hours) AND 24 >= ALL (weekly_hours)),
    until_day date
);
COMMENT ON TABLE fitters IS 'Who works in the workshop, and when.';
COMMENT ON COLUMN fitters.name IS 'Spelled as on booked hours.';
COMMENT ON COLUMN fitters.weekly_hours IS 'Hours at the bench, Monday to Sunday.';
COMMENT ON COLUMN fitters.until_day IS 'Last day with the firm; NULL: no end known.';

CREATE TABLE days_off (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    fitter_id bigint REFERENCES fitters,
    from_day date NOT NULL,
    until_day date NOT NULL,
    notes text,
    CONSTRAINT days_off_order CHECK (until_day BETWEEN from_day AND from_day + 366)
);
COMMENT ON TABLE days_off IS 'Days on which nobody works, or one fitter does not.';
COMMENT ON COLUMN days_off.fitter_id IS 'NULL: the works are closed.';

CREATE TABLE inspector_visits (
    on_day date PRIMARY KEY,
    tests integer NOT NULL CONSTRAINT inspector_visits_tests CHECK (tests BETWEEN 1 AND 100),
    notes text
);
COMMENT ON TABLE inspector_visits IS 'Days on which an inspector comes.';
COMMENT ON COLUMN inspector_visits.tests IS 'How many tests they can see that day.';

CREATE TABLE test_costs (
    test text PRIMARY KEY,
    hours numeric(4, 2) NOT NULL CONSTRAINT test_costs_hours CHECK (hours BETWEEN 0 AND 24),
    fee numeric(12, 2) NOT NULL CONSTRAINT test_costs_fee CHECK (fee >= 0)
);
INSERT INTO test_costs (test, hours, fee) VALUES
    ('hydraulic_first', 3, 0), ('hydraulic_repeat', 2, 0), ('steam', 3, 0), ('gas_tank', 1, 0), ('external_examination', 2, 0),
    ('internal_examination', 3, 0), ('ultrasonic', 2, 0);
COMMENT ON TABLE test_costs IS 'A fitter''s hours and the outside fee for each kind of test.';

CREATE TABLE jobs (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    title text NOT NULL,
    status text NOT NULL DEFAULT 'proposed' CONSTRAINT jobs_status CHECK (status IN ('proposed', 'agreed', 'started', 'finished', 'called_off')),
    touches text[] NOT NULL CONSTRAINT jobs_touches CHECK (cardinality(touches) > 0),
    gauge_glass_only boolean NOT NULL DEFAULT false,
    hours_agreed numeric(9, 2) CONSTRAINT jobs_hours_agreed CHECK (hours_agreed >= 0),
    outside_work numeric(12, 2) CONSTRAINT jobs_outside_work CHECK (outside_work >= 0),
    proposed_on date NOT NULL,
    agreed_on date,
    started_on date,
    finished_on date,
    finished_at text,
    called_off_on date,
    notes text,
    working_order_after text,
    expected_on date,
    skill text,
    fitter_id bigint REFERENCES fitters,
    work_place text CONSTRAINT jobs_work_place CHECK (work_place IN ('bench', 'steaming_bay')),
    days_away integer CONSTRAINT jobs_days_away CHECK (days_away BETWEEN 1 AND 366),
    parts_expected numeric(12, 2) CONSTRAINT jobs_parts_expected CHECK (parts_expected >= 0),
    chased_by text,
    boiler_id bigint REFERENCES boilers,
    CONSTRAINT jobs_order CHECK (agreed_on >= proposed_on AND started_on >= agreed_on AND finished_on >= started_on),
    CONSTRAINT jobs_started CHECK (status NOT IN ('started', 'finished') OR started_on IS NOT NULL),
    CONSTRAINT jobs_finished CHECK ((status = 'finished') = (finished_on IS NOT NULL)),
    CONSTRAINT jobs_called_off CHECK ((status = 'called_off') = (called_off_on IS NOT NULL)),
    CONSTRAINT jobs_boiler_when_finished CHECK (boiler_id IS NULL OR finished_on IS NOT NULL)
);
CREATE INDEX jobs_stock_no ON jobs (stock_no);
CREATE INDEX jobs_boiler ON jobs (boiler_id) WHERE boiler_id IS NOT NULL;
COMMENT ON TABLE jobs IS 'Work on engines.';
COMMENT ON COLUMN jobs.outside_work IS 'Cost of outside work, net of tax.';
COMMENT ON COLUMN jobs.finished_at IS 'Time of day such as 15:00; matters when a job and a test fall on the same day.';
COMMENT ON COLUMN jobs.working_order_after IS 'Working order once the job is finished; NULL: unchanged.';
COMMENT ON COLUMN jobs.expected_on IS 'When the part on order or the outside work is expected; NULL: the job waits for neither, or no day is known.';
COMMENT ON COLUMN jobs.skill IS 'NULL: any fitter can do it.';
COMMENT ON COLUMN jobs.fitter_id IS 'The assigned fitter; NULL: anyone with the skill and the hours.';
COMMENT ON COLUMN jobs.work_place IS 'The place that the engine takes up meanwhile; NULL: no room in the workshop.';
COMMENT ON COLUMN jobs.days_away IS 'Days away for outside work; NULL: done in the workshop.';
COMMENT ON COLUMN jobs.parts_expected IS 'Expected cost of all its parts, net of tax.';
COMMENT ON COLUMN jobs.chased_by IS 'Who is chasing the part or the outside work; NULL: nobody.';
COMMENT ON COLUMN jobs.boiler_id IS 'The boiler that the finished job was on; later moves of boilers do not change it. NULL: none recorded, or not finished.';

CREATE TABLE job_grades (
    job_id bigint NOT NULL REFERENCES jobs,
    area text NOT NULL,
    grade text NOT NULL,
    PRIMARY KEY (job_id, area)
);
COMMENT ON TABLE job_grades IS 'Condition grades once a job is finished.';

CREATE TABLE job_needs (
    job_id bigint NOT NULL REFERENCES jobs,
    needs_id bigint NOT NULL REFERENCES jobs,
    PRIMARY KEY (job_id, needs_id),
    CONSTRAINT job_needs_another CHECK (job_id <> needs_id)
);
CREATE INDEX job_needs_needs ON job_needs (needs_id);
COMMENT ON TABLE job_needs IS 'Jobs that must be finished before another starts.';

CREATE TABLE job_hours (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    job_id bigint NOT NULL REFERENCES jobs,
    on_day date NOT NULL,
    fitter text NOT NULL,
    hours numeric(9, 2) NOT NULL,
    reverses_id bigint CONSTRAINT job_hours_reversed_once UNIQUE REFERENCES job_hours,
    confirmed text[] NOT NULL DEFAULT '{}',
    CONSTRAINT job_hours_sign CHECK ((reverses_id IS NULL AND hours > 0) OR (reverses_id IS NOT NULL AND hours < 0))
);
CREATE INDEX job_hours_job ON job_hours (job_id);
CREATE INDEX job_hours_on_day ON job_hours (on_day, id);
COMMENT ON TABLE job_hours IS 'Hours booked; a wrong line is reversed by another, never edited.';
COMMENT ON COLUMN job_hours.confirmed IS 'Members with values outside the usual limits that were confirmed.';

CREATE TABLE job_parts (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    job_id bigint NOT NULL REFERENCES jobs,
    on_day date NOT NULL,
    description text NOT NULL,
    cost numeric(12, 2) NOT NULL,
    reverses_id bigint CONSTRAINT job_parts_reversed_once UNIQUE REFERENCES job_parts,
    CONSTRAINT job_parts_sign CHECK ((reverses_id IS NULL AND cost >= 0) OR (reverses_id IS NOT NULL AND cost <= 0))
);
CREATE INDEX job_parts_job ON job_parts (job_id);
CREATE INDEX job_parts_on_day ON job_parts (on_day, id);
COMMENT ON TABLE job_parts IS 'Parts and materials used for jobs; a wrong line is reversed by another, never edited.';
COMMENT ON COLUMN job_parts.cost IS 'Net of the supplier''s tax.';

CREATE TABLE findings (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    survey_id bigint REFERENCES surveys,
    stock_no integer NOT NULL REFERENCES engines,
    area text,
    severity text NOT NULL,
    description text NOT NULL,
    found_on date NOT NULL,
    released boolean NOT NULL DEFAULT false,
    cleared_by_job_id bigint REFERENCES jobs,
    cleared_by_survey_id bigint REFERENCES surveys,
    cleared_on date,
    complaint_id bigint CONSTRAINT findings_complaint UNIQUE,
    CONSTRAINT findings_cleared CHECK ((cleared_on IS NOT NULL) = (num_nonnulls(cleared_by_job_id, cleared_by_survey_id) = 1)),
    CONSTRAINT findings_order CHECK (cleared_on >= found_on),
    CONSTRAINT findings_from CHECK (num_nonnulls(survey_id, complaint_id) = 1),
    CONSTRAINT findings_area CHECK (area IS NOT NULL OR complaint_id IS NOT NULL),
    CONSTRAINT findings_released CHECK (complaint_id IS NULL OR NOT released)
);
CREATE INDEX findings_open ON findings (stock_no) WHERE cleared_on IS NULL;
CREATE INDEX findings_survey ON findings (survey_id);
COMMENT ON TABLE findings IS 'Defects found; open until a job or a later survey clears them.';
COMMENT ON COLUMN findings.survey_id IS 'NULL: it comes from a buyer''s complaint.';
COMMENT ON COLUMN findings.area IS 'NULL: the complaint does not say.';
COMMENT ON COLUMN findings.released IS 'true: it may be published.';
COMMENT ON COLUMN findings.complaint_id IS 'The complaint that was open when the engine was returned; its text is the buyer''s and is not published.';

CREATE TABLE job_findings (
    job_id bigint NOT NULL REFERENCES jobs,
    finding_id bigint NOT NULL REFERENCES findings,
    PRIMARY KEY (job_id, finding_id)
);
COMMENT ON TABLE job_findings IS 'The findings that a job clears when finished.';

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
    notes text,
    reverses_id bigint CONSTRAINT costs_reversed_once UNIQUE REFERENCES costs,
    CONSTRAINT costs_sign CHECK ((reverses_id IS NULL AND cost >= 0 AND supplier_vat >= 0) OR (reverses_id IS NOT NULL AND cost <= 0 AND supplier_vat <= 0))
);
CREATE INDEX costs_stock_no ON costs (stock_no);
CREATE INDEX costs_on_day ON costs (on_day, id);
COMMENT ON TABLE costs IS 'Costs of engines other than purchase, hours and parts of jobs; a wrong line is reversed by another, never edited.';
COMMENT ON COLUMN costs.cost IS 'Net of the supplier''s tax.';
COMMENT ON COLUMN costs.person_id IS 'The supplier.';

CREATE TABLE gate_settings (
    one boolean PRIMARY KEY DEFAULT true CONSTRAINT gate_settings_one CHECK (one),
    blocking_warnings text[] NOT NULL DEFAULT '{}',
    warning_days integer NOT NULL DEFAULT 30 CONSTRAINT gate_settings_watch_days CHECK (warning_days BETWEEN 0 AND 366),
    frost_months integer[] NOT NULL DEFAULT '{11,12,1,2,3}'
);
INSERT INTO gate_settings DEFAULT VALUES;
COMMENT ON TABLE gate_settings IS 'The firm''s settings for its gates: one row.';
COMMENT ON COLUMN gate_settings.blocking_warnings IS 'Checks for which a warning also shuts a gate; an unmet one always does.';
COMMENT ON COLUMN gate_settings.warning_days IS 'A certificate that expires within this many days gives a warning.';
COMMENT ON COLUMN gate_settings.frost_months IS 'Months, 1 to 12, in which an engine must be drained to travel.';

CREATE TABLE checklist_items (
    item text PRIMARY KEY CONSTRAINT checklist_items_item CHECK (item ~ '^[a-z][a-z0-9_]{0,59}$'),
    description text NOT NULL,
    kind text CONSTRAINT checklist_items_kind CHECK (kind IN ('locomotive', 'road_engine', 'stationary', 'other')),
    at_distance boolean,
    buyer_abroad boolean,
    shuts_gate boolean NOT NULL
);
INSERT INTO checklist_items (item, description, at_distance, shuts_gate) VALUES
    ('drained', 'No water is left in the boiler, tanks, pumps and pipes', NULL, false),
    ('lifting_plan', 'Weight known, slings and points of lifting settled', NULL, false),
    ('spares_packed', 'Spares and included items are packed', NULL, true),
    ('papers_packed', 'Boiler papers are packed, and their number is the one on the boiler', NULL, true),
    ('drawings_packed', 'Drawings and the builder''s records are packed', NULL, false),
    ('photographs_of_condition', 'Photographs show its condition on the day it leaves', NULL, false),
    ('engine_packed', 'The engine itself is packed and blocked for the road', true, false);
COMMENT ON TABLE checklist_items IS 'The firm''s despatch checklist: what it prepares before an engine leaves. Each sale uses the items that match it.';
COMMENT ON COLUMN checklist_items.kind IS 'NULL: engines of every kind.';
COMMENT ON COLUMN checklist_items.at_distance IS 'true: only sales at a distance; false: only the others; NULL: both.';
COMMENT ON COLUMN checklist_items.buyer_abroad IS 'true: only sales to another country; false: only the others; NULL: both.';
COMMENT ON COLUMN checklist_items.shuts_gate IS 'true: the engine may not leave until it is ticked.';

CREATE TABLE preparation_ticks (
    stock_no integer NOT NULL REFERENCES engines,
    item text NOT NULL CONSTRAINT preparation_ticks_item REFERENCES checklist_items ON DELETE CASCADE,
    done_on date NOT NULL,
    done_by text NOT NULL,
    PRIMARY KEY (stock_no, item)
);
COMMENT ON TABLE preparation_ticks IS 'What was made ready before an engine leaves, when, and who ticked it.';

CREATE TABLE plans (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    made_on date NOT NULL,
    from_day date NOT NULL,
    until_day date NOT NULL,
    answer jsonb NOT NULL
);
COMMENT ON TABLE plans IS 'Workshop plans as they were made; kept for ever, to compare with what happened.';

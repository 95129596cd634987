CREATE TABLE surveys (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    on_day date NOT NULL,
    surveyor text NOT NULL,
    build_quality text CONSTRAINT surveys_build_quality CHECK (build_quality IN ('exhibition', 'fine', 'sound', 'plain', 'rough')),
    notes text
);
CREATE INDEX surveys_stock_no ON surveys (stock_no, on_day);
COMMENT ON TABLE surveys IS 'Dated inspections of engines.';

CREATE TABLE survey_grades (
    survey_id bigint NOT NULL REFERENCES surveys,
    area text NOT NULL,
    grade text NOT NULL,
    PRIMARY KEY (survey_id, area)
);
COMMENT ON TABLE survey_grades IS 'One condition grade for each area looked at; an area that is missing was not looked at.';

CREATE TABLE jobs (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    title text NOT NULL,
    standing text NOT NULL DEFAULT 'proposed' CONSTRAINT jobs_standing CHECK (standing IN ('proposed', 'agreed', 'in_hand', 'finished', 'called_off')),
    touches text[] NOT NULL CONSTRAINT jobs_touches CHECK (cardinality(touches) > 0),
    gauge_glass_only boolean NOT NULL DEFAULT false,
    hours_agreed numeric(9, 2) CONSTRAINT jobs_hours_agreed CHECK (hours_agreed >= 0),
    outside_work numeric(12, 2) CONSTRAINT jobs_outside_work CHECK (outside_work >= 0),
    proposed_on date NOT NULL,
    agreed_on date,
    begun_on date,
    finished_on date,
    finished_at text,
    called_off_on date,
    boiler_id bigint REFERENCES boilers,
    notes text,
    CONSTRAINT jobs_order CHECK (agreed_on >= proposed_on AND begun_on >= agreed_on AND finished_on >= begun_on),
    CONSTRAINT jobs_begun CHECK (standing NOT IN ('in_hand', 'finished') OR begun_on IS NOT NULL),
    CONSTRAINT jobs_finished CHECK ((standing = 'finished') = (finished_on IS NOT NULL)),
    CONSTRAINT jobs_called_off CHECK ((standing = 'called_off') = (called_off_on IS NOT NULL))
);
CREATE INDEX jobs_stock_no ON jobs (stock_no);
CREATE INDEX jobs_boiler ON jobs (boiler_id) WHERE boiler_id IS NOT NULL;
COMMENT ON TABLE jobs IS 'Work on engines.';
COMMENT ON COLUMN jobs.boiler_id IS 'The boiler that was in the engine on the day the job was finished; NULL before, or without a boiler.';
COMMENT ON COLUMN jobs.finished_at IS 'Time of day written like 15:00, where the order of a job and a test on one day matters.';
COMMENT ON COLUMN jobs.outside_work IS 'What others are to be paid.';

CREATE TABLE findings (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    survey_id bigint NOT NULL REFERENCES surveys,
    stock_no integer NOT NULL REFERENCES engines,
    area text NOT NULL,
    severity text NOT NULL,
    words text NOT NULL,
    found_on date NOT NULL,
    released boolean NOT NULL DEFAULT false,
    cleared_by_job_id bigint REFERENCES jobs,
    cleared_by_survey_id bigint REFERENCES surveys,
    cleared_on date,
    CONSTRAINT findings_cleared CHECK ((cleared_on IS NOT NULL) = (num_nonnulls(cleared_by_job_id, cleared_by_survey_id) = 1)),
    CONSTRAINT findings_order CHECK (cleared_on >= found_on)
);
CREATE INDEX findings_open ON findings (stock_no) WHERE cleared_on IS NULL;
CREATE INDEX findings_survey ON findings (survey_id);
COMMENT ON TABLE findings IS 'Faults seen; open until a job or a later survey clears them.';
COMMENT ON COLUMN findings.released IS 'true: the public may read it.';

CREATE TABLE job_findings (
    job_id bigint NOT NULL REFERENCES jobs,
    finding_id bigint NOT NULL REFERENCES findings,
    PRIMARY KEY (job_id, finding_id)
);
COMMENT ON TABLE job_findings IS 'The findings that a job is to clear when it is finished.';

CREATE TABLE job_hours (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    job_id bigint NOT NULL REFERENCES jobs,
    on_day date NOT NULL,
    fitter text NOT NULL,
    hours numeric(9, 2) NOT NULL,
    reverses_id bigint CONSTRAINT job_hours_reversed_once UNIQUE REFERENCES job_hours,
    CONSTRAINT job_hours_sign CHECK ((reverses_id IS NULL AND hours > 0) OR (reverses_id IS NOT NULL AND hours < 0))
);
CREATE INDEX job_hours_job ON job_hours (job_id);
COMMENT ON TABLE job_hours IS 'Hours booked; a wrong line is reversed by another, never edited.';

CREATE TABLE job_parts (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    job_id bigint NOT NULL REFERENCES jobs,
    on_day date NOT NULL,
    words text NOT NULL,
    cost numeric(12, 2) NOT NULL,
    reverses_id bigint CONSTRAINT job_parts_reversed_once UNIQUE REFERENCES job_parts,
    CONSTRAINT job_parts_sign CHECK ((reverses_id IS NULL AND cost >= 0) OR (reverses_id IS NOT NULL AND cost <= 0))
);
CREATE INDEX job_parts_job ON job_parts (job_id);
COMMENT ON TABLE job_parts IS 'Parts and materials used for jobs; a wrong line is reversed by another, never edited.';
COMMENT ON COLUMN job_parts.cost IS 'Net of the supplier''s tax.';

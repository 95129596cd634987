ALTER TABLE findings
    ALTER survey_id DROP NOT NULL,
    ALTER area DROP NOT NULL,
    ADD complaint_id bigint REFERENCES complaints CONSTRAINT findings_complaint UNIQUE,
    ADD CONSTRAINT findings_from CHECK (num_nonnulls(survey_id, complaint_id) = 1),
    ADD CONSTRAINT findings_area CHECK (area IS NOT NULL OR complaint_id IS NOT NULL),
    ADD CONSTRAINT findings_released CHECK (complaint_id IS NULL OR NOT released);
COMMENT ON COLUMN findings.survey_id IS 'NULL: a complaint of the buyer, and no survey, says it.';
COMMENT ON COLUMN findings.area IS 'NULL: the complaint does not say.';
COMMENT ON COLUMN findings.complaint_id IS 'The complaint that was open when the engine came back; its words are the buyer''s and stay in the house.';

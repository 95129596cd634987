DELETE FROM job_findings WHERE finding_id IN (SELECT id FROM findings WHERE complaint_id IS NOT NULL);
DELETE FROM findings WHERE complaint_id IS NOT NULL;
ALTER TABLE findings
    DROP CONSTRAINT findings_from,
    DROP CONSTRAINT findings_area,
    DROP CONSTRAINT findings_released,
    DROP COLUMN complaint_id,
    ALTER survey_id SET NOT NULL,
    ALTER area SET NOT NULL;
COMMENT ON COLUMN findings.survey_id IS NULL;
COMMENT ON COLUMN findings.area IS NULL;

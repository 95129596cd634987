DROP TABLE job_parts, job_hours, job_findings, findings, jobs, survey_grades, surveys;

DROP TABLE plans, preparation_ticks, checklist_items, gate_settings, costs, job_findings, findings, job_parts, job_hours, job_needs, job_grades, jobs, test_costs, inspector_visits, days_off, fitters;

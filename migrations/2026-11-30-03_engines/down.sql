DROP TABLE survey_grades, surveys, photograph_sizes, photographs, certificates, tests, boiler_installations, boiler_pressure_changes, boilers, engines;

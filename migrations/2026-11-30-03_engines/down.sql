DROP TABLE survey_grades, surveys, photograph_sizes, photographs, certificates, tests, boiler_fittings, boiler_pressure_changes, boilers, engines;

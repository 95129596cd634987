DROP TABLE boiler_code_rules, boiler_codes, certificates, tests;

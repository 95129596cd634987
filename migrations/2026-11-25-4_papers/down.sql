DROP TABLE boiler_codes, certificates, tests;

DELETE FROM boiler_code_rules;
DELETE FROM boiler_codes;

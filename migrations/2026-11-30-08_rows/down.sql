DELETE FROM statutory_periods;
DELETE FROM tax_rules;
DELETE FROM boiler_code_rules;
DELETE FROM boiler_codes;

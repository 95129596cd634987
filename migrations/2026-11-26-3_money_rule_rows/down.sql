DELETE FROM sale_terms;
DELETE FROM tax_rules;

ALTER TABLE tax_rules DROP CONSTRAINT tax_rules_value;
ALTER TABLE tax_rules ADD CONSTRAINT tax_rules_value CHECK (value >= 0 AND (value > 0 OR unit = 'percent'));

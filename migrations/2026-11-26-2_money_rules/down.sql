DROP TABLE sale_terms;
DROP TABLE tax_rules;

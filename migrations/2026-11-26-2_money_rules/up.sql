CREATE TABLE tax_rules (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    jurisdiction text NOT NULL,
    rule text NOT NULL,
    value numeric(12, 4) CONSTRAINT tax_rules_value CHECK (value > 0),
    unit text NOT NULL,
    valid_from date,
    valid_until date,
    source text NOT NULL,
    mark text NOT NULL,
    note text,
    CONSTRAINT tax_rules_order CHECK (valid_until >= valid_from)
);
COMMENT ON TABLE tax_rules IS 'Rules of tax and cash, one dated row each; a row is ended and another added, never edited.';
COMMENT ON COLUMN tax_rules.value IS 'In the unit named; NULL where the unit says it all.';
COMMENT ON COLUMN tax_rules.valid_from IS 'First day; NULL: the source prints none, and the row also holds before.';
COMMENT ON COLUMN tax_rules.valid_until IS 'Last day, inclusive; NULL: in force.';
COMMENT ON COLUMN tax_rules.mark IS 'How sure the row is.';

CREATE TABLE sale_terms (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    jurisdiction text NOT NULL,
    rule text NOT NULL,
    value integer NOT NULL CONSTRAINT sale_terms_value CHECK (value BETWEEN 0 AND 10000),
    unit text NOT NULL,
    valid_from date,
    valid_until date,
    source text NOT NULL,
    mark text NOT NULL,
    CONSTRAINT sale_terms_order CHECK (valid_until >= valid_from)
);
COMMENT ON TABLE sale_terms IS 'Terms of the law of sale, one dated row each; a row is ended and another added, never edited.';
COMMENT ON COLUMN sale_terms.valid_from IS 'First day of delivery that it is for; NULL: all before too.';
COMMENT ON COLUMN sale_terms.valid_until IS 'Last day, inclusive; NULL: in force.';
COMMENT ON COLUMN sale_terms.mark IS 'How sure the row is.';

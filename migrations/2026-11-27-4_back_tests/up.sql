CREATE TABLE back_tests (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    from_day date NOT NULL,
    to_day date NOT NULL,
    asked_on date NOT NULL,
    sales jsonb,
    CONSTRAINT back_tests_order CHECK (from_day <= to_day AND to_day <= asked_on)
);
CREATE INDEX back_tests_waiting ON back_tests (id) WHERE sales IS NULL;
COMMENT ON TABLE back_tests IS 'Valuations of the firm''s own sales as they would have been, each from the sales before it.';
COMMENT ON COLUMN back_tests.sales IS 'Each sale with its valuation; NULL until it is worked out.';

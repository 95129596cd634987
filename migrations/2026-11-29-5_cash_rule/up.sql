CREATE TABLE exchange_rates (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    currency text NOT NULL CONSTRAINT exchange_rates_currency CHECK (currency IN ('EUR', 'GBP')),
    from_day date NOT NULL,
    worth text NOT NULL CONSTRAINT exchange_rates_worth CHECK (worth::numeric > 0 AND worth::numeric <= 1000),
    source text NOT NULL,
    CONSTRAINT exchange_rates_one_a_day UNIQUE (currency, from_day)
);
COMMENT ON TABLE exchange_rates IS 'What one unit of a currency is worth in the firm''s, from a day on until the next row of that currency.';

ALTER TABLE payments ADD COLUMN notes_into_bank boolean NOT NULL DEFAULT false,
    ADD CONSTRAINT payments_notes CHECK (method = 'transfer' OR NOT notes_into_bank);
COMMENT ON COLUMN payments.notes_into_bank IS 'The payer paid notes into the firm''s bank account: cash by the cash rule.';

ALTER TABLE acquisitions ADD COLUMN paid_by text CONSTRAINT acquisitions_paid_by CHECK (paid_by IS NULL OR (manner = 'bought' AND paid_by <> 'part_exchange'));
COMMENT ON COLUMN acquisitions.paid_by IS 'How an engine that was bought was paid for; NULL: not recorded, or nothing was paid.';

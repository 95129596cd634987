ALTER TABLE sales
    ADD COLUMN buyer_is_consumer boolean NOT NULL DEFAULT true,
    ADD COLUMN informed_of_cancellation boolean NOT NULL DEFAULT false;
COMMENT ON COLUMN sales.buyer_is_consumer IS 'The law of sale to consumers binds.';
COMMENT ON COLUMN sales.informed_of_cancellation IS 'The buyer was told of the right to cancel a sale at a distance.';

CREATE TABLE complaints (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sale_id bigint NOT NULL REFERENCES sales,
    asked_on date NOT NULL,
    words text NOT NULL,
    given_back_on date CONSTRAINT complaints_given_back_on CHECK (given_back_on >= asked_on)
);
CREATE INDEX complaints_sale ON complaints (sale_id);
COMMENT ON TABLE complaints IS 'Repairs and replacements that buyers asked for after a delivery.';
COMMENT ON COLUMN complaints.given_back_on IS 'Day on which the buyer had the engine back; NULL while it is away.';

CREATE TABLE support_notes (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sale_id bigint NOT NULL REFERENCES sales,
    on_day date NOT NULL,
    words text NOT NULL,
    answered text
);
CREATE INDEX support_notes_sale ON support_notes (sale_id);
COMMENT ON TABLE support_notes IS 'What buyers asked after a sale.';
COMMENT ON COLUMN support_notes.answered IS 'NULL while it is to be answered.';

ALTER TABLE firm ADD COLUMN address text, ADD COLUMN vat_number text;
COMMENT ON COLUMN firm.address IS 'As invoices show it; NULL: not told.';
COMMENT ON COLUMN firm.vat_number IS 'As invoices show it; NULL: not told, or not registered.';

ALTER TABLE deliveries
    ADD COLUMN carrier text,
    ADD COLUMN carrier_reference text,
    ADD COLUMN country text,
    ADD CONSTRAINT deliveries_carrier CHECK (manner <> 'carrier' OR carrier IS NOT NULL) NOT VALID,
    ADD CONSTRAINT deliveries_country CHECK (manner <> 'export' OR country IS NOT NULL) NOT VALID;
COMMENT ON COLUMN deliveries.carrier_reference IS 'As the carrier wrote it.';
COMMENT ON COLUMN deliveries.country IS 'ISO 3166-1, two letters: where an export goes; NULL for all else.';

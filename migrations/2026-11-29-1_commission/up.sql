ALTER TABLE acquisitions
    ADD COLUMN commission_percent numeric(5, 2) CONSTRAINT acquisitions_commission_percent CHECK (commission_percent BETWEEN 0 AND 100),
    ADD COLUMN commission_fixed numeric(12, 2) CONSTRAINT acquisitions_commission_fixed CHECK (commission_fixed >= 0),
    ADD CONSTRAINT acquisitions_commission CHECK (manner = 'commission' OR (commission_percent IS NULL AND commission_fixed IS NULL));
COMMENT ON COLUMN acquisitions.commission_percent IS 'Of the price with its tax; the commission is net of tax. NULL: no share was agreed.';
COMMENT ON COLUMN acquisitions.commission_fixed IS 'Net of tax; added to the share. NULL: no fixed sum was agreed.';

ALTER TABLE sales ADD COLUMN owner_agreed_on date CONSTRAINT sales_owner_agreed_on CHECK (owner_agreed_on <= on_day);
COMMENT ON COLUMN sales.owner_agreed_on IS 'Day of the written consent of the owner of an engine on commission to a price below the reserve; NULL: none.';

CREATE TABLE payouts (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sale_id bigint NOT NULL REFERENCES sales,
    on_day date NOT NULL,
    amount numeric(12, 2) NOT NULL CONSTRAINT payouts_amount CHECK (amount <> 0),
    method text NOT NULL CONSTRAINT payouts_method CHECK (method <> 'part_exchange'),
    note text
);
CREATE INDEX payouts_sale ON payouts (sale_id);
COMMENT ON TABLE payouts IS 'Money paid to the owners of engines sold on commission; a negative amount came back.';

CREATE TABLE owner_tellings (
    asking_price_id bigint PRIMARY KEY REFERENCES asking_prices,
    told_on date NOT NULL,
    how text,
    told_by text NOT NULL
);
COMMENT ON TABLE owner_tellings IS 'Changes of asking prices of engines on commission that their owners were told of.';

ALTER TABLE acquisitions ADD COLUMN supplier_vat numeric(12, 2) NOT NULL DEFAULT 0
    CONSTRAINT acquisitions_supplier_vat CHECK (supplier_vat >= 0 AND (supplier_vat = 0 OR supplier_vat < price));
COMMENT ON COLUMN acquisitions.supplier_vat IS 'Tax that the seller''s invoice shows, within the price; 0: it shows none.';

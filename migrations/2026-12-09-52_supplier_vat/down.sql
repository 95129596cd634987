ALTER TABLE acquisitions DROP COLUMN supplier_vat;

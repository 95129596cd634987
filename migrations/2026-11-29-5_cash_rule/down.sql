ALTER TABLE acquisitions DROP COLUMN paid_by;
ALTER TABLE payments DROP COLUMN notes_into_bank;
DROP TABLE exchange_rates;

DROP TABLE owner_tellings;
DROP TABLE payouts;
ALTER TABLE sales DROP COLUMN owner_agreed_on;
ALTER TABLE acquisitions DROP COLUMN commission_fixed, DROP COLUMN commission_percent;

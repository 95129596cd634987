DROP TABLE owner_tellings;
DROP TABLE payouts;
ALTER TABLE sales DROP COLUMN owner_agreed_on;
ALTER TABLE acquisitions
    DROP CONSTRAINT acquisitions_commission,
    DROP COLUMN commission_fixed,
    DROP COLUMN commission_percent;

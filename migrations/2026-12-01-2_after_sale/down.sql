ALTER TABLE deliveries
    DROP CONSTRAINT deliveries_country,
    DROP CONSTRAINT deliveries_carrier,
    DROP COLUMN country,
    DROP COLUMN carrier_reference,
    DROP COLUMN carrier;
ALTER TABLE firm DROP COLUMN vat_number, DROP COLUMN address;
DROP TABLE support_notes, complaints;
ALTER TABLE sales DROP COLUMN informed_of_cancellation, DROP COLUMN buyer_is_consumer;

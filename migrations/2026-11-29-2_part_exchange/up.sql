ALTER TABLE acquisitions
    ADD COLUMN sale_id bigint REFERENCES sales,
    ADD COLUMN appraisal_id bigint CONSTRAINT acquisitions_one_per_appraisal UNIQUE REFERENCES appraisals,
    ADD CONSTRAINT acquisitions_part_exchange CHECK (sale_id IS NULL OR manner = 'part_exchange'),
    ADD CONSTRAINT acquisitions_of_sale UNIQUE (id, sale_id);
CREATE INDEX acquisitions_sale ON acquisitions (sale_id) WHERE sale_id IS NOT NULL;
COMMENT ON COLUMN acquisitions.sale_id IS 'The sale that an engine taken in part exchange pays into.';
COMMENT ON COLUMN acquisitions.appraisal_id IS 'The appraisal that became this acquisition.';

ALTER TABLE payments
    ADD COLUMN acquisition_id bigint CONSTRAINT payments_one_per_acquisition UNIQUE,
    ADD CONSTRAINT payments_part_exchange CHECK (acquisition_id IS NULL OR method = 'part_exchange'),
    ADD CONSTRAINT payments_acquisition FOREIGN KEY (acquisition_id, sale_id) REFERENCES acquisitions (id, sale_id);
COMMENT ON COLUMN payments.acquisition_id IS 'The acquisition whose allowance is set off; NULL: paid in money.';

DELETE FROM boiler_code_rules WHERE rule = 'report_within';
DELETE FROM sale_terms WHERE rule IN ('cancel_days_after_told_late', 'send_back_days');
UPDATE sale_terms SET source = 'Consumer Rights Act 2015 s.20(15), from memory: counted from the day of sending back'
WHERE rule = 'refund_days_on_rejection' AND source = 'Consumer Rights Act 2015 s.20(15), from memory: beginning with the day on which the seller agrees';
UPDATE sale_terms SET rule = 'refund_days_on_premises' WHERE rule = 'refund_days_on_rejection';

ALTER TABLE sales ADD COLUMN informed_of_cancellation boolean NOT NULL DEFAULT false;
COMMENT ON COLUMN sales.informed_of_cancellation IS 'The buyer was told of the right to cancel a sale at a distance.';
UPDATE sales SET informed_of_cancellation = informed_of_cancellation_on IS NOT NULL;
ALTER TABLE sales DROP COLUMN informed_of_cancellation_on, DROP COLUMN cancelled_on, DROP COLUMN collection_offered,
    DROP COLUMN proof_of_sending_on, DROP COLUMN refund_agreed_on;

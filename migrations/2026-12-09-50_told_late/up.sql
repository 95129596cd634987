ALTER TABLE sales
    ADD COLUMN informed_of_cancellation_on date,
    ADD COLUMN cancelled_on date,
    ADD COLUMN collection_offered boolean NOT NULL DEFAULT false,
    ADD COLUMN proof_of_sending_on date,
    ADD COLUMN refund_agreed_on date;
UPDATE sales SET informed_of_cancellation_on = on_day WHERE informed_of_cancellation;
ALTER TABLE sales DROP COLUMN informed_of_cancellation;
COMMENT ON COLUMN sales.informed_of_cancellation_on IS 'Day on which the buyer was informed of the right to cancel a sale at a distance; NULL: never.';
COMMENT ON COLUMN sales.cancelled_on IS 'Day on which the buyer sent the notice of cancelling a sale at a distance; NULL: not cancelled.';
COMMENT ON COLUMN sales.collection_offered IS 'The firm offered to collect the engine from the buyer who cancelled.';
COMMENT ON COLUMN sales.proof_of_sending_on IS 'Day on which the buyer showed that the engine was sent back; NULL: not shown.';
COMMENT ON COLUMN sales.refund_agreed_on IS 'Day on which the firm agreed to refund a buyer who rejects the engine; NULL: not agreed.';

-- The rule was counted from the wrong day: the days begin with that of the agreement, not after that of sending back.
UPDATE sale_terms SET rule = 'refund_days_on_rejection',
    source = 'Consumer Rights Act 2015 s.20(15), from memory: beginning with the day on which the seller agrees'
WHERE rule = 'refund_days_on_premises' AND source = 'Consumer Rights Act 2015 s.20(15), from memory: counted from the day of sending back';
UPDATE sale_terms SET rule = 'refund_days_on_rejection' WHERE rule = 'refund_days_on_premises';
INSERT INTO sale_terms (jurisdiction, rule, value, unit, valid_from, valid_until, source, mark) VALUES
    ('GB', 'cancel_days_after_told_late', 14, 'days', NULL, NULL, 'Consumer Contracts Regulations 2013 reg. 31(2), from a guide', 'low_confidence'),
    ('GB', 'send_back_days', 14, 'days', NULL, NULL, 'Consumer Contracts Regulations 2013 reg. 35(5), as sellers'' terms restate it', 'low_confidence');

INSERT INTO boiler_code_rules (code_id, rule, material, band, first_service_from, value, unit, effect, valid_from, valid_until, source, mark, note)
SELECT id, 'report_within', NULL, NULL, NULL, 15, 'days', 'watch', NULL, NULL,
    'Ohio rules for historical boilers, from memory: the report of a test within 15 days', 'from_memory', NULL
FROM boiler_codes
WHERE jurisdiction = 'US-OH' AND NOT EXISTS (SELECT 1 FROM boiler_code_rules r WHERE r.code_id = boiler_codes.id AND r.rule = 'report_within');

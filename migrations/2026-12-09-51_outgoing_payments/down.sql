DROP TABLE outgoing_payments;
DELETE FROM tax_rules WHERE rule = 'cash_linked_days';

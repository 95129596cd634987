DROP VIEW stock;
DROP FUNCTION gone_by;
ALTER TABLE findings DROP CONSTRAINT findings_complaint_id_fkey;
DROP TABLE owner_notes, disposals, support_notes, complaints, credit_notes, returns, deliveries, exports, payouts, payments, promises, offer_answers, offers, deposit_returns, deposit_receipts, deposits, reservations, listings, enquiries, outgoing_payments, tax_position_changes, acquisitions, buying_valuations, sales_invoices, sales;

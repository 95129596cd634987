-- The rows of tax, cash and the law of sale that a new shop starts with. Generated; see DEVELOPERS.md.
INSERT INTO tax_rules (jurisdiction, rule, value, unit, valid_from, valid_until, source, mark, note) VALUES
    ('GB', 'standard_rate', 20, 'percent', '2011-01-04', NULL, 'VAT Act 1994 s.2(1), with its first day from memory', 'from_memory', NULL),
    ('GB', 'tax_on_the_margin', NULL, 'yes', NULL, NULL, 'gov.uk, VAT margin schemes; Directive 2006/112/EC Art. 311-325', 'published', 'Tax is rate / (100 + rate) of the selling price less the purchase price, if that is above nought.'),
    ('GB', 'repairs_stay_out_of_purchase_price', NULL, 'yes', NULL, NULL, 'HMRC manual VATMARG02300', 'published', 'Repairs and parts never join the purchase price.'),
    ('GB', 'loss_is_not_set_off', NULL, 'yes', NULL, NULL, 'gov.uk, VAT margin schemes', 'published', 'A loss on one engine carries nothing to other engines.'),
    ('GB', 'tax_invoice_shuts_margin_scheme', NULL, 'yes', NULL, NULL, 'HMRC manual VATMARG02150', 'published', 'An engine bought on an invoice that shows VAT is not eligible for the margin scheme.'),
    ('GB', 'part_exchange_at_full_prices', NULL, 'yes', NULL, NULL, 'HMRC manual VATMARG13350', 'published', 'The full allowance is the purchase price of what comes in, the full price the selling price of what goes out.'),
    ('GB', 'rounded_to_the_penny', NULL, 'yes', NULL, NULL, 'HMRC manual VATREC12030', 'published', 'Tax is rounded to the nearest penny, a half upwards, by the exact fraction: 1/6 at 20 %.'),
    ('GB', 'stock_book', NULL, 'yes', NULL, NULL, 'gov.uk, VAT margin schemes: Keeping records', 'published', 'The stock book has stock number in sequence; purchase: date, invoice number (none where the firm wrote it itself), price, seller, description; sale: date, invoice number, price or how disposed of, buyer; margin; tax.'),
    ('GB', 'records_kept', 6, 'years', NULL, NULL, 'gov.uk, VAT margin schemes: Keeping records', 'published', 'Kept 6 years, or until sold if that is longer.'),
    ('GB', 'cash_limit', 10000, 'EUR', NULL, '2026-06-29', 'HMRC, high value dealers (Money Laundering Regulations 2017)', 'published', 'Cash at or above the limit, single or linked, paid or received, notes paid into the firm''s bank account included, needs registration first.'),
    ('GB', 'cash_limit', 10000, 'GBP', '2026-06-30', NULL, 'amending regulations of 2026, as reported', 'low_confidence', 'Cash at or above the limit, single or linked, paid or received, notes paid into the firm''s bank account included, needs registration first.'),
    ('GB', 'invoice_wording', NULL, 'yes', NULL, NULL, 'Directive 2006/112/EC Art. 226(14), from memory', 'from_memory', 'Margin scheme - Second-hand goods');
INSERT INTO sale_terms (jurisdiction, rule, value, unit, valid_from, valid_until, source, mark) VALUES
    ('GB', 'short_term_reject_days', 30, 'days', NULL, NULL, 'Consumer Rights Act 2015 s.22(3)', 'published'),
    ('GB', 'short_term_least_days_after_repair', 7, 'days', NULL, NULL, 'Consumer Rights Act 2015 s.22(6)-(8)', 'published'),
    ('GB', 'cancel_days', 14, 'days', NULL, NULL, 'Consumer Contracts Regulations 2013 reg. 30', 'published'),
    ('GB', 'cancel_months_more_uninformed', 12, 'months', NULL, NULL, 'Consumer Contracts Regulations 2013 reg. 31, from memory', 'from_memory'),
    ('GB', 'refund_days_at_distance', 14, 'days', NULL, NULL, 'Consumer Contracts Regulations 2013 reg. 34', 'published'),
    ('GB', 'refund_days_on_premises', 14, 'days', NULL, NULL, 'Consumer Rights Act 2015 s.20(15), from memory: counted from the day of sending back', 'from_memory');

-- Words that were written beside what the person $1 asked, paid and was given. The amounts, days and numbers stay.
WITH sold AS (SELECT id FROM sales WHERE person_id = $1),
    held AS (SELECT id FROM reservations WHERE person_id = $1),
    paid_in AS (SELECT id FROM deposits WHERE reservation_id IN (SELECT id FROM held)),
    u1 AS (UPDATE enquiries SET words = NULL, closed_because = NULL WHERE person_id = $1),
    u2 AS (UPDATE reservations SET note = NULL, because = NULL WHERE person_id = $1),
    u3 AS (UPDATE deposits SET note = NULL WHERE id IN (SELECT id FROM paid_in)),
    u4 AS (UPDATE deposit_returns SET because = NULL WHERE deposit_id IN (SELECT id FROM paid_in)),
    u5 AS (UPDATE offers SET note = NULL WHERE person_id = $1),
    u6 AS (UPDATE promises SET words = NULL, because = NULL WHERE person_id = $1),
    u7 AS (UPDATE sales SET note = NULL WHERE person_id = $1),
    u8 AS (UPDATE payments SET note = NULL WHERE sale_id IN (SELECT id FROM sold)),
    u9 AS (UPDATE deliveries SET handed_to = 'erased', what_went_with_it = NULL WHERE sale_id IN (SELECT id FROM sold)),
    u12 AS (UPDATE complaints SET words = 'erased' WHERE sale_id IN (SELECT id FROM sold)),
    u13 AS (UPDATE findings SET words = 'erased'
        WHERE complaint_id IN (SELECT id FROM complaints WHERE sale_id IN (SELECT id FROM sold))),
    u14 AS (UPDATE support_notes SET words = 'erased', answered = CASE WHEN answered IS NOT NULL THEN 'erased' END
        WHERE sale_id IN (SELECT id FROM sold)),
    u15 AS (UPDATE returns SET note = NULL WHERE sale_id IN (SELECT id FROM sold)),
    u10 AS (UPDATE acquisitions SET note = NULL WHERE person_id = $1),
    u11 AS (UPDATE outgoing_payments SET note = NULL WHERE acquisition_id IN (SELECT id FROM acquisitions WHERE person_id = $1)
        OR cost_id IN (SELECT id FROM costs WHERE person_id = $1))
UPDATE payouts SET note = NULL
WHERE sale_id IN (SELECT s.id FROM sales s JOIN acquisitions a ON a.stock_no = s.stock_no WHERE a.person_id = $1)

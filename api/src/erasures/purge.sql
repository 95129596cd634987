-- Answers kept for repeats of requests that hold a record of the person $1.
WITH sold AS (SELECT id FROM sales WHERE person_id = $1),
    held AS (SELECT id FROM reservations WHERE person_id = $1),
    addresses AS (
        SELECT '/v1/persons/' || $1 AS location
        UNION ALL SELECT '/v1/acquisitions/' || id FROM acquisitions WHERE person_id = $1
        UNION ALL SELECT '/v1/engines/' || stock_no FROM acquisitions WHERE person_id = $1
        UNION ALL SELECT '/v1/costs/' || id FROM costs WHERE person_id = $1
        UNION ALL SELECT '/v1/enquiries/' || id FROM enquiries WHERE person_id = $1
        UNION ALL SELECT '/v1/reservations/' || id FROM held
        UNION ALL SELECT '/v1/deposits/' || id FROM deposits WHERE reservation_id IN (SELECT id FROM held)
        UNION ALL SELECT '/v1/offers/' || id FROM offers WHERE person_id = $1
        UNION ALL SELECT '/v1/promises/' || id FROM promises WHERE person_id = $1
        UNION ALL SELECT '/v1/sales/' || id FROM sold
        UNION ALL SELECT '/v1/payments/' || id FROM payments WHERE sale_id IN (SELECT id FROM sold)
        UNION ALL SELECT '/v1/exports/' || id FROM exports WHERE sale_id IN (SELECT id FROM sold)
        UNION ALL SELECT '/v1/complaints/' || id FROM complaints WHERE sale_id IN (SELECT id FROM sold)
        UNION ALL SELECT '/v1/support-notes/' || id FROM support_notes WHERE sale_id IN (SELECT id FROM sold)
        UNION ALL SELECT '/v1/returns/' || id FROM returns WHERE sale_id IN (SELECT id FROM sold)
        UNION ALL SELECT '/v1/deliveries/' || id FROM deliveries WHERE sale_id IN (SELECT id FROM sold)
        UNION ALL SELECT '/v1/payouts/' || p.id FROM payouts p JOIN sales s ON s.id = p.sale_id
            JOIN acquisitions a ON a.stock_no = s.stock_no WHERE a.person_id = $1
        UNION ALL SELECT '/v1/outgoing-payments/' || o.id FROM outgoing_payments o LEFT JOIN acquisitions a ON a.id = o.acquisition_id
            LEFT JOIN costs c ON c.id = o.cost_id WHERE a.person_id = $1 OR c.person_id = $1
    )
UPDATE idempotency_keys SET answer = NULL WHERE location IN (SELECT location FROM addresses)

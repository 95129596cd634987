-- Changes in the asking prices of engines on commission, by id. $1: null: all; true: those the owner was notified of;
-- false: the others. $2: after this id; $3: limit; $4: only this id.
SELECT id, stock_no, owner_id, old_price, new_price, since, notified_on, method, notified_by
FROM (
    SELECT p.id, p.stock_no, a.person_id AS owner_id, lag(p.price) OVER (PARTITION BY p.stock_no ORDER BY p.id) AS old_price,
        p.price AS new_price, p.on_day AS since, t.notified_on, t.method, t.notified_by
    FROM asking_prices p
    JOIN acquisitions a ON a.stock_no = p.stock_no AND a.method = 'commission'
    LEFT JOIN owner_notifications t ON t.asking_price_id = p.id
) AS priced
WHERE old_price <> new_price AND ($1 IS NULL OR (notified_on IS NOT NULL) = $1) AND id > $2 AND ($4 IS NULL OR id = $4)
ORDER BY id
LIMIT $3

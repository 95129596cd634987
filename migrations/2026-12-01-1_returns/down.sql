CREATE OR REPLACE VIEW stock AS
SELECT e.stock_no,
    CASE WHEN x.id IS NOT NULL THEN 'gone' WHEN d.id IS NOT NULL THEN 'delivered' WHEN s.id IS NOT NULL THEN 'sold' ELSE 'in_stock' END
        AS standing,
    p.price AS asking_price,
    f.boiler_id,
    l.standing AS listing,
    CASE WHEN NOT l.price_on_request THEN p.price END AS public_price,
    r.until_at AS reserved_until
FROM engines e
LEFT JOIN LATERAL (SELECT a.price FROM asking_prices a WHERE a.stock_no = e.stock_no ORDER BY a.id DESC LIMIT 1) p ON true
LEFT JOIN sales s ON s.stock_no = e.stock_no
LEFT JOIN deliveries d ON d.sale_id = s.id
LEFT JOIN disposals x ON x.stock_no = e.stock_no
LEFT JOIN boiler_fittings f ON f.stock_no = e.stock_no AND f.taken_out_on IS NULL
LEFT JOIN listings l ON l.stock_no = e.stock_no
LEFT JOIN reservations r ON r.stock_no = e.stock_no AND r.held_from IS NOT NULL AND r.ended IS NULL;
DROP FUNCTION gone_by;
DROP TABLE credit_notes, returns;
DROP INDEX sales_stock_no, sales_one_live_per_engine;
ALTER TABLE sales DROP CONSTRAINT sales_undone, DROP COLUMN undone_on;
ALTER TABLE sales ADD CONSTRAINT sales_one_per_engine UNIQUE (stock_no);
COMMENT ON TABLE sales IS 'One sale for each engine.';

ALTER TABLE sales DROP CONSTRAINT sales_one_per_engine;
ALTER TABLE sales
    ADD COLUMN undone_on date CONSTRAINT sales_undone_on CHECK (undone_on >= on_day),
    ADD CONSTRAINT sales_undone UNIQUE (id, undone_on);
CREATE UNIQUE INDEX sales_one_live_per_engine ON sales (stock_no) WHERE undone_on IS NULL;
CREATE INDEX sales_stock_no ON sales (stock_no, id);
COMMENT ON TABLE sales IS 'Sales; one for each engine unless it is undone.';
COMMENT ON COLUMN sales.undone_on IS 'Day from whose end the sale no longer stands; NULL while it does. The same day as in returns.';

CREATE TABLE returns (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sale_id bigint NOT NULL CONSTRAINT returns_one_per_sale UNIQUE,
    delivery_id bigint CONSTRAINT returns_one_per_delivery UNIQUE REFERENCES deliveries,
    on_day date NOT NULL,
    why text NOT NULL CONSTRAINT returns_why CHECK (why IN ('rejected', 'cancelled', 'agreed')),
    paid numeric(12, 2) NOT NULL,
    refund numeric(12, 2) NOT NULL,
    credit_note_no integer NOT NULL CONSTRAINT returns_credit_note_no UNIQUE CONSTRAINT returns_credit_note_no_from_1 CHECK (credit_note_no > 0),
    note text,
    CONSTRAINT returns_of_undone_sale FOREIGN KEY (sale_id, on_day) REFERENCES sales (id, undone_on),
    CONSTRAINT returns_refund CHECK (refund BETWEEN 0 AND paid)
);
COMMENT ON TABLE returns IS 'How sales were undone: the engine came back, or it never left.';
COMMENT ON COLUMN returns.delivery_id IS 'The delivery that is undone; NULL where the sale was called off before the engine left.';
COMMENT ON COLUMN returns.paid IS 'What the buyer had paid by then; with the refund it says what the firm keeps.';
COMMENT ON COLUMN returns.refund IS 'Agreed to be paid back.';
COMMENT ON COLUMN returns.credit_note_no IS 'Of the firm''s own credit note, in sequence without gaps.';

CREATE TABLE credit_notes (
    one boolean PRIMARY KEY DEFAULT true CONSTRAINT credit_notes_one CHECK (one),
    last_no integer NOT NULL CONSTRAINT credit_notes_last_no CHECK (last_no >= 0)
);
INSERT INTO credit_notes (last_no) VALUES (0);
COMMENT ON TABLE credit_notes IS 'How far the firm''s credit notes are numbered: one row, held by each return until it is stored, so that no number is left out.';

CREATE FUNCTION gone_by(engine integer, day date) RETURNS boolean LANGUAGE sql STABLE
RETURN EXISTS (SELECT 1 FROM sales WHERE stock_no = engine AND on_day <= day AND (undone_on IS NULL OR undone_on > day))
    OR EXISTS (SELECT 1 FROM disposals WHERE stock_no = engine AND on_day <= day);
COMMENT ON FUNCTION gone_by IS 'Whether an engine is sold, or gone without a sale, at the end of a day.';

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
LEFT JOIN sales s ON s.stock_no = e.stock_no AND s.undone_on IS NULL
LEFT JOIN deliveries d ON d.sale_id = s.id
LEFT JOIN disposals x ON x.stock_no = e.stock_no
LEFT JOIN boiler_fittings f ON f.stock_no = e.stock_no AND f.taken_out_on IS NULL
LEFT JOIN listings l ON l.stock_no = e.stock_no
LEFT JOIN reservations r ON r.stock_no = e.stock_no AND r.held_from IS NOT NULL AND r.ended IS NULL;

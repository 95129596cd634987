ALTER TABLE firm ADD COLUMN reservation_hours integer NOT NULL DEFAULT 72
    CONSTRAINT firm_reservation_hours CHECK (reservation_hours BETWEEN 1 AND 2160);
COMMENT ON COLUMN firm.reservation_hours IS 'How long a reservation holds when nobody says how long.';

CREATE TABLE reservations (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    person_id bigint NOT NULL REFERENCES persons,
    key_id bigint NOT NULL REFERENCES keys,
    asked_at timestamptz NOT NULL,
    hours integer NOT NULL CONSTRAINT reservations_hours CHECK (hours BETWEEN 1 AND 2160),
    held_from timestamptz,
    until_at timestamptz,
    deposit_due numeric(12, 2) CONSTRAINT reservations_deposit_due CHECK (deposit_due > 0),
    note text,
    ended text CONSTRAINT reservations_ended CHECK (ended IN ('released', 'lapsed', 'fulfilled', 'engine_sold', 'engine_gone')),
    ended_at timestamptz,
    because text,
    sale_id bigint REFERENCES sales,
    tell_since timestamptz,
    told_at timestamptz,
    CONSTRAINT reservations_held CHECK ((held_from IS NULL) = (until_at IS NULL)),
    CONSTRAINT reservations_end CHECK ((ended IS NULL) = (ended_at IS NULL)),
    CONSTRAINT reservations_sale CHECK ((sale_id IS NULL) = (ended IS DISTINCT FROM 'fulfilled')),
    CONSTRAINT reservations_told CHECK (told_at IS NULL OR tell_since IS NOT NULL)
);
CREATE UNIQUE INDEX reservations_one_live ON reservations (stock_no) WHERE held_from IS NOT NULL AND ended IS NULL;
CREATE UNIQUE INDEX reservations_one_per_person ON reservations (stock_no, person_id) WHERE ended IS NULL;
CREATE INDEX reservations_due ON reservations (until_at) WHERE held_from IS NOT NULL AND ended IS NULL;
CREATE INDEX reservations_to_tell ON reservations (id) WHERE tell_since IS NOT NULL AND told_at IS NULL;
CREATE INDEX reservations_stock_no ON reservations (stock_no);
CREATE INDEX reservations_person ON reservations (person_id);
COMMENT ON TABLE reservations IS 'Engines held for somebody, and the queue behind each in the order of ids.';
COMMENT ON COLUMN reservations.key_id IS 'The key that asked.';
COMMENT ON COLUMN reservations.hours IS 'How long it holds from the moment that it becomes live.';
COMMENT ON COLUMN reservations.held_from IS 'NULL while it stands in the queue.';
COMMENT ON COLUMN reservations.until_at IS 'The moment from which it holds no more, whether or not its lapse is written down yet.';
COMMENT ON COLUMN reservations.ended IS 'NULL: live, past its moment but not yet written down, or in the queue.';
COMMENT ON COLUMN reservations.because IS 'Why it was released.';
COMMENT ON COLUMN reservations.tell_since IS 'Since when the person is to be told that the turn has come, or that it will not; NULL: nothing to tell.';

CREATE TABLE deposits (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    reservation_id bigint NOT NULL REFERENCES reservations,
    receipt_no integer NOT NULL CONSTRAINT deposits_receipt_no UNIQUE CONSTRAINT deposits_receipt_no_from_1 CHECK (receipt_no > 0),
    on_day date NOT NULL,
    amount numeric(12, 2) NOT NULL CONSTRAINT deposits_amount CHECK (amount > 0),
    method text NOT NULL CONSTRAINT deposits_method CHECK (method <> 'part_exchange'),
    notes_into_bank boolean NOT NULL DEFAULT false,
    note text,
    CONSTRAINT deposits_notes CHECK (method = 'transfer' OR NOT notes_into_bank)
);
CREATE INDEX deposits_reservation ON deposits (reservation_id);
CREATE INDEX deposits_on_day ON deposits (on_day, id);
COMMENT ON TABLE deposits IS 'Money received for reservations: owed to whom it came from until it is set off at a sale or returned.';
COMMENT ON COLUMN deposits.receipt_no IS 'Of the firm''s receipt, in sequence without gaps.';

CREATE TABLE deposit_receipts (
    one boolean PRIMARY KEY DEFAULT true CONSTRAINT deposit_receipts_one CHECK (one),
    last_no integer NOT NULL CONSTRAINT deposit_receipts_last_no CHECK (last_no >= 0)
);
INSERT INTO deposit_receipts (last_no) VALUES (0);
COMMENT ON TABLE deposit_receipts IS 'How far the receipts for deposits are numbered: one row, held by each deposit until it is stored, so that no number is left out.';

CREATE TABLE deposit_returns (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    deposit_id bigint NOT NULL CONSTRAINT deposit_returns_once UNIQUE REFERENCES deposits,
    on_day date NOT NULL,
    method text NOT NULL CONSTRAINT deposit_returns_method CHECK (method <> 'part_exchange'),
    because text
);
CREATE INDEX deposit_returns_on_day ON deposit_returns (on_day, id);
COMMENT ON TABLE deposit_returns IS 'Deposits that were paid back whole.';

ALTER TABLE payments ADD COLUMN deposit_id bigint CONSTRAINT payments_one_per_deposit UNIQUE REFERENCES deposits,
    ADD CONSTRAINT payments_deposit CHECK (deposit_id IS NULL OR (amount > 0 AND acquisition_id IS NULL));
COMMENT ON COLUMN payments.deposit_id IS 'The deposit that is set off; NULL: no deposit.';

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
COMMENT ON COLUMN stock.reserved_until IS 'Until when an engine in stock is reserved: it is so only before that moment. NULL: it is not.';

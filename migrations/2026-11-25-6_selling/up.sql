CREATE TABLE listings (
    stock_no integer PRIMARY KEY REFERENCES engines,
    standing text NOT NULL DEFAULT 'draft' CONSTRAINT listings_standing CHECK (standing IN ('draft', 'on_show', 'withdrawn')),
    title text NOT NULL,
    words text NOT NULL,
    page_name text NOT NULL CONSTRAINT listings_page_name UNIQUE,
    price_on_request boolean NOT NULL DEFAULT false,
    on_show_since date,
    withdrawn_on date,
    withdrawn_because text,
    CONSTRAINT listings_on_show CHECK ((standing = 'on_show') = (on_show_since IS NOT NULL)),
    CONSTRAINT listings_withdrawn CHECK ((standing = 'withdrawn') = (withdrawn_on IS NOT NULL)),
    CONSTRAINT listings_withdrawn_because CHECK (withdrawn_because IS NULL OR withdrawn_on IS NOT NULL)
);
CREATE INDEX listings_on_show ON listings (stock_no) WHERE standing = 'on_show';
COMMENT ON TABLE listings IS 'What the public sees of an engine.';
COMMENT ON COLUMN listings.on_show_since IS 'Day of the last publication; NULL while it is not on show.';
COMMENT ON COLUMN listings.withdrawn_on IS 'Day of the last withdrawal; NULL while it is not withdrawn.';
COMMENT ON COLUMN listings.withdrawn_because IS 'For the firm alone; never public.';
COMMENT ON COLUMN listings.page_name IS 'Last part of the address of the engine''s page on a shop site.';

CREATE TABLE sales (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL CONSTRAINT sales_one_per_engine UNIQUE REFERENCES engines,
    on_day date NOT NULL,
    price numeric(12, 2) NOT NULL CONSTRAINT sales_price CHECK (price > 0),
    person_id bigint NOT NULL REFERENCES persons,
    buyer_abroad boolean NOT NULL DEFAULT false,
    at_distance boolean NOT NULL DEFAULT false,
    papers_acknowledged_on date,
    note text
);
COMMENT ON TABLE sales IS 'One sale for each engine.';
COMMENT ON COLUMN sales.papers_acknowledged_on IS 'Day of the buyer''s written acknowledgement that the engine is sold without papers or for restoration.';

CREATE TABLE payments (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sale_id bigint NOT NULL REFERENCES sales,
    on_day date NOT NULL,
    amount numeric(12, 2) NOT NULL CONSTRAINT payments_amount CHECK (amount <> 0),
    method text NOT NULL,
    note text
);
CREATE INDEX payments_sale ON payments (sale_id);
COMMENT ON TABLE payments IS 'Money received for sales; a negative amount is paid back.';

CREATE TABLE deliveries (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sale_id bigint NOT NULL CONSTRAINT deliveries_one_per_sale UNIQUE REFERENCES sales,
    stock_no integer NOT NULL REFERENCES engines,
    on_day date NOT NULL,
    manner text NOT NULL,
    handed_to text NOT NULL,
    what_went_with_it text
);
COMMENT ON TABLE deliveries IS 'The days on which engines left.';

CREATE TABLE preparation_ticks (
    stock_no integer NOT NULL REFERENCES engines,
    item text NOT NULL,
    done_on date NOT NULL,
    done_by text NOT NULL,
    PRIMARY KEY (stock_no, item)
);
COMMENT ON TABLE preparation_ticks IS 'What was made ready before an engine leaves, when and by whom.';

CREATE VIEW stock AS
SELECT e.stock_no,
    CASE WHEN d.id IS NOT NULL THEN 'delivered' WHEN s.id IS NOT NULL THEN 'sold' ELSE 'in_stock' END AS standing,
    p.price AS asking_price,
    f.boiler_id,
    l.standing AS listing,
    CASE WHEN NOT l.price_on_request THEN p.price END AS public_price
FROM engines e
LEFT JOIN LATERAL (SELECT a.price FROM asking_prices a WHERE a.stock_no = e.stock_no ORDER BY a.id DESC LIMIT 1) p ON true
LEFT JOIN sales s ON s.stock_no = e.stock_no
LEFT JOIN deliveries d ON d.sale_id = s.id
LEFT JOIN boiler_fittings f ON f.stock_no = e.stock_no AND f.taken_out_on IS NULL
LEFT JOIN listings l ON l.stock_no = e.stock_no;
COMMENT ON VIEW stock IS 'Where each engine stands; follows from the acts recorded, nothing of it is stored.';
COMMENT ON COLUMN stock.public_price IS 'The asking price as far as a visitor may know it; NULL while it is on request.';

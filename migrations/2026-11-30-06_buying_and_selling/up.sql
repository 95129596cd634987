CREATE TABLE sales (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    on_day date NOT NULL,
    price numeric(12, 2) NOT NULL CONSTRAINT sales_price CHECK (price > 0),
    person_id bigint NOT NULL REFERENCES persons,
    buyer_abroad boolean NOT NULL DEFAULT false,
    at_distance boolean NOT NULL DEFAULT false,
    papers_acknowledged_on date,
    notes text,
    promised_on date,
    invoice_no integer NOT NULL CONSTRAINT sales_invoice_no UNIQUE CONSTRAINT sales_invoice_no_from_1 CHECK (invoice_no > 0),
    owner_agreed_on date,
    sale_cancelled_on date,
    buyer_is_consumer boolean NOT NULL DEFAULT true,
    confirmed text[] NOT NULL DEFAULT '{}',
    informed_of_cancellation_on date,
    cancelled_on date,
    collection_offered boolean NOT NULL DEFAULT false,
    proof_of_sending_on date,
    refund_agreed_on date,
    value_changed_on date,
    CONSTRAINT sales_cancelled UNIQUE (id, sale_cancelled_on),
    CONSTRAINT sales_promised_on CHECK (promised_on >= on_day),
    CONSTRAINT sales_owner_agreed_on CHECK (owner_agreed_on <= on_day),
    CONSTRAINT sales_undone_on CHECK (sale_cancelled_on >= on_day)
);
CREATE INDEX sales_on_day ON sales (on_day, id);
CREATE UNIQUE INDEX sales_one_live_per_engine ON sales (stock_no) WHERE sale_cancelled_on IS NULL;
CREATE INDEX sales_stock_no ON sales (stock_no, id);
COMMENT ON TABLE sales IS 'Sales. An engine has only one sale that is not cancelled.';
COMMENT ON COLUMN sales.papers_acknowledged_on IS 'Day on which the buyer acknowledged in writing that the engine is sold without papers or for restoration.';
COMMENT ON COLUMN sales.promised_on IS 'The day by which the firm promised the buyer that the engine would leave. NULL: none was promised.';
COMMENT ON COLUMN sales.invoice_no IS 'Number of the firm''s invoice for the sale; numbered in sequence without gaps.';
COMMENT ON COLUMN sales.owner_agreed_on IS 'Day on which the owner of a commission engine agreed in writing to a price below the reserve. NULL: no consent recorded.';
COMMENT ON COLUMN sales.sale_cancelled_on IS 'The sale is cancelled from the end of this day; NULL: not cancelled. The same day as in returns.';
COMMENT ON COLUMN sales.buyer_is_consumer IS 'Consumer law applies to the sale.';
COMMENT ON COLUMN sales.confirmed IS 'Members with values outside the usual limits that were confirmed.';
COMMENT ON COLUMN sales.informed_of_cancellation_on IS 'Day on which the buyer of a distance sale was informed of the right to cancel; NULL: never.';
COMMENT ON COLUMN sales.cancelled_on IS 'Day on which the buyer of a distance sale sent the notice of cancellation; NULL: not cancelled.';
COMMENT ON COLUMN sales.collection_offered IS 'The firm offered to collect the engine from the buyer who cancelled.';
COMMENT ON COLUMN sales.proof_of_sending_on IS 'Day on which the buyer proved that they had sent the engine back; NULL: not proved.';
COMMENT ON COLUMN sales.refund_agreed_on IS 'Day on which the firm agreed to refund a buyer who rejects the engine; NULL: not agreed.';
COMMENT ON COLUMN sales.value_changed_on IS 'Day of an event before the sale that changed the engine''s value, such as damage: the price is no evidence of its value before that day. NULL: none.';

CREATE TABLE sales_invoices (
    one boolean PRIMARY KEY DEFAULT true CONSTRAINT sales_invoices_one CHECK (one),
    last_no integer NOT NULL CONSTRAINT sales_invoices_last_no CHECK (last_no >= 0)
);
INSERT INTO sales_invoices (last_no) VALUES (0);
COMMENT ON TABLE sales_invoices IS 'Last number used for a sales invoice. Each sale locks the one row until it is stored, so that the numbers have no gaps.';

CREATE TABLE buying_valuations (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    on_day date NOT NULL,
    engine jsonb NOT NULL,
    basis text NOT NULL,
    price_scale_version integer NOT NULL REFERENCES price_scales,
    price_model_id bigint REFERENCES price_models,
    low numeric(12, 2) NOT NULL,
    likely numeric(12, 2) NOT NULL,
    high numeric(12, 2) NOT NULL,
    answer jsonb NOT NULL,
    money jsonb,
    CONSTRAINT buying_valuations_order CHECK (low <= likely AND likely <= high),
    CONSTRAINT buying_valuations_fit CHECK ((basis = 'sales') = (price_model_id IS NOT NULL))
);
COMMENT ON TABLE buying_valuations IS 'Valuations of engines that the firm does not own; never deleted.';
COMMENT ON COLUMN buying_valuations.engine IS 'The description as the request gave it.';
COMMENT ON COLUMN buying_valuations.price_model_id IS 'NULL: only the price scale was used.';
COMMENT ON COLUMN buying_valuations.answer IS 'Steps, comparables and warnings as the response gave them.';
COMMENT ON COLUMN buying_valuations.money IS 'The most to pay, as the response gave it; NULL: not requested.';

CREATE TABLE acquisitions (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    method text NOT NULL,
    on_day date NOT NULL,
    price numeric(12, 2) CONSTRAINT acquisitions_price CHECK (price >= 0),
    person_id bigint REFERENCES persons,
    tax_position text NOT NULL,
    invoice_no text,
    reserve numeric(12, 2) CONSTRAINT acquisitions_reserve CHECK (reserve >= 0),
    notes text,
    commission_percent numeric(5, 2) CONSTRAINT acquisitions_commission_percent CHECK (commission_percent BETWEEN 0 AND 100),
    commission_fixed numeric(12, 2) CONSTRAINT acquisitions_commission_fixed CHECK (commission_fixed >= 0),
    sale_id bigint REFERENCES sales,
    buying_valuation_id bigint CONSTRAINT acquisitions_one_per_buying_valuation UNIQUE REFERENCES buying_valuations,
    paid_by text,
    supplier_vat numeric(12, 2) NOT NULL DEFAULT 0,
    CONSTRAINT acquisitions_of_sale UNIQUE (id, sale_id),
    CONSTRAINT acquisitions_price_unless_commission CHECK ((method = 'commission') = (price IS NULL)),
    CONSTRAINT acquisitions_commission CHECK (method = 'commission' OR (commission_percent IS NULL AND commission_fixed IS NULL)),
    CONSTRAINT acquisitions_part_exchange CHECK (sale_id IS NULL OR method = 'part_exchange'),
    CONSTRAINT acquisitions_paid_by CHECK (paid_by IS NULL OR (method = 'bought' AND paid_by <> 'part_exchange')),
    CONSTRAINT acquisitions_supplier_vat CHECK (supplier_vat >= 0 AND (supplier_vat = 0 OR supplier_vat < price))
);
CREATE UNIQUE INDEX acquisitions_one_per_engine ON acquisitions (stock_no);
CREATE INDEX acquisitions_on_day ON acquisitions (on_day, id);
CREATE INDEX acquisitions_sale ON acquisitions (sale_id) WHERE sale_id IS NOT NULL;
COMMENT ON TABLE acquisitions IS 'How the firm acquired each engine.';
COMMENT ON COLUMN acquisitions.price IS 'Price paid, or allowance in part exchange; NULL for an engine on commission.';
COMMENT ON COLUMN acquisitions.invoice_no IS 'Number of the seller''s invoice; NULL: the firm wrote the invoice itself.';
COMMENT ON COLUMN acquisitions.reserve IS 'The lowest price that the owner of a commission engine accepts.';
COMMENT ON COLUMN acquisitions.commission_percent IS 'Percentage of the price including tax; the commission is net of tax. NULL: no percentage was agreed.';
COMMENT ON COLUMN acquisitions.commission_fixed IS 'Net of tax; added to the percentage. NULL: no fixed sum was agreed.';
COMMENT ON COLUMN acquisitions.sale_id IS 'The sale towards which the engine was taken in part exchange.';
COMMENT ON COLUMN acquisitions.buying_valuation_id IS 'The buying valuation that led to this acquisition.';
COMMENT ON COLUMN acquisitions.paid_by IS 'How an engine that was bought was paid for; NULL: not recorded, or nothing was paid.';
COMMENT ON COLUMN acquisitions.supplier_vat IS 'Tax shown on the seller''s invoice, included in the price; 0: none is shown.';

CREATE TABLE tax_position_changes (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    acquisition_id bigint NOT NULL REFERENCES acquisitions,
    on_day date NOT NULL,
    from_position text NOT NULL,
    to_position text NOT NULL,
    reason text NOT NULL,
    changed_by text NOT NULL,
    CONSTRAINT tax_position_changes_other CHECK (from_position <> to_position)
);
CREATE INDEX tax_position_changes_acquisition ON tax_position_changes (acquisition_id);
COMMENT ON TABLE tax_position_changes IS 'Changes to the tax position of acquisitions. The acquisition has the present position, its first change the original one.';

CREATE TABLE outgoing_payments (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    acquisition_id bigint REFERENCES acquisitions,
    cost_id bigint REFERENCES costs,
    parts_id bigint REFERENCES job_parts,
    on_day date NOT NULL,
    amount numeric(12, 2) NOT NULL CONSTRAINT outgoing_payments_amount CHECK (amount <> 0),
    method text NOT NULL CONSTRAINT outgoing_payments_method CHECK (method IN ('transfer', 'card', 'cash', 'cheque')),
    notes text,
    CONSTRAINT outgoing_payments_for_one CHECK (num_nonnulls(acquisition_id, cost_id, parts_id) = 1)
);
CREATE INDEX outgoing_payments_acquisition ON outgoing_payments (acquisition_id);
CREATE INDEX outgoing_payments_cost ON outgoing_payments (cost_id);
CREATE INDEX outgoing_payments_parts ON outgoing_payments (parts_id);
CREATE INDEX outgoing_payments_day ON outgoing_payments (on_day, id);
COMMENT ON TABLE outgoing_payments IS 'Money paid to sellers of engines and to suppliers.';
COMMENT ON COLUMN outgoing_payments.acquisition_id IS 'The purchase that this payment is for; NULL: for something else.';
COMMENT ON COLUMN outgoing_payments.cost_id IS 'The cost that this payment is for; NULL: for something else.';
COMMENT ON COLUMN outgoing_payments.parts_id IS 'The parts of a job that this payment is for; NULL: for something else.';
COMMENT ON COLUMN outgoing_payments.amount IS 'Below 0: money that came back.';

CREATE TABLE enquiries (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    person_id bigint NOT NULL REFERENCES persons,
    key_id bigint NOT NULL REFERENCES keys,
    on_day date NOT NULL,
    stock_no integer REFERENCES engines,
    wanted_kind text,
    wanted_gauges text[] NOT NULL DEFAULT '{}',
    wanted_scale text,
    wanted_whyte text,
    most_to_pay numeric(12, 2) CONSTRAINT enquiries_most_to_pay CHECK (most_to_pay > 0),
    message text,
    follow_up_on date,
    closed_on date,
    closing_reason text,
    CONSTRAINT enquiries_closed CHECK (closing_reason IS NULL OR closed_on IS NOT NULL),
    CONSTRAINT enquiries_closed_on CHECK (closed_on >= on_day)
);
CREATE INDEX enquiries_open ON enquiries (follow_up_on) WHERE closed_on IS NULL;
CREATE INDEX enquiries_person ON enquiries (person_id);
CREATE INDEX enquiries_stock_no ON enquiries (stock_no) WHERE stock_no IS NOT NULL;
COMMENT ON TABLE enquiries IS 'Enquiries: about an engine, for an engine that is wanted, or both.';
COMMENT ON COLUMN enquiries.wanted_gauges IS 'As written; any of them will do. Empty: any gauge.';
COMMENT ON COLUMN enquiries.follow_up_on IS 'The day on which to follow it up; NULL: none is set.';

CREATE TABLE listings (
    stock_no integer PRIMARY KEY REFERENCES engines,
    status text NOT NULL DEFAULT 'draft' CONSTRAINT listings_status CHECK (status IN ('draft', 'published', 'withdrawn')),
    title text NOT NULL,
    description text NOT NULL,
    page_name text NOT NULL CONSTRAINT listings_page_name UNIQUE,
    price_on_request boolean NOT NULL DEFAULT false,
    on_show_since date,
    withdrawn_on date,
    withdrawal_reason text,
    translations jsonb NOT NULL DEFAULT '[]' CHECK (jsonb_typeof(translations) = 'array'),
    CONSTRAINT listings_on_show CHECK ((status = 'published') = (on_show_since IS NOT NULL)),
    CONSTRAINT listings_withdrawn CHECK ((status = 'withdrawn') = (withdrawn_on IS NOT NULL)),
    CONSTRAINT listings_withdrawn_reason CHECK (withdrawal_reason IS NULL OR withdrawn_on IS NOT NULL)
);
CREATE INDEX listings_on_show ON listings (stock_no) WHERE status = 'published';
COMMENT ON TABLE listings IS 'What the public sees of an engine.';
COMMENT ON COLUMN listings.page_name IS 'Last part of the address of the engine''s page on a shop site.';
COMMENT ON COLUMN listings.on_show_since IS 'Day on which it was last published; NULL: not published now.';
COMMENT ON COLUMN listings.withdrawn_on IS 'Day on which it was last withdrawn; NULL: not withdrawn now.';
COMMENT ON COLUMN listings.withdrawal_reason IS 'For the firm only; never public.';
COMMENT ON COLUMN listings.translations IS 'Title and description in the firm''s other languages: [{language, title, description}].';

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
    notes text,
    ended text CONSTRAINT reservations_ended CHECK (ended IN ('released', 'lapsed', 'fulfilled', 'engine_sold', 'engine_gone')),
    ended_at timestamptz,
    reason text,
    sale_id bigint REFERENCES sales,
    notify_since timestamptz,
    notified_at timestamptz,
    CONSTRAINT reservations_held CHECK ((held_from IS NULL) = (until_at IS NULL)),
    CONSTRAINT reservations_end CHECK ((ended IS NULL) = (ended_at IS NULL)),
    CONSTRAINT reservations_sale CHECK ((sale_id IS NULL) = (ended IS DISTINCT FROM 'fulfilled')),
    CONSTRAINT reservations_notified CHECK (notified_at IS NULL OR notify_since IS NOT NULL)
);
CREATE UNIQUE INDEX reservations_one_live ON reservations (stock_no) WHERE held_from IS NOT NULL AND ended IS NULL;
CREATE UNIQUE INDEX reservations_one_per_person ON reservations (stock_no, person_id) WHERE ended IS NULL;
CREATE INDEX reservations_due ON reservations (until_at) WHERE held_from IS NOT NULL AND ended IS NULL;
CREATE INDEX reservations_to_notify ON reservations (id) WHERE notify_since IS NOT NULL AND notified_at IS NULL;
CREATE INDEX reservations_stock_no ON reservations (stock_no);
CREATE INDEX reservations_person ON reservations (person_id);
COMMENT ON TABLE reservations IS 'Engines reserved for someone, and the queue for each in order of id.';
COMMENT ON COLUMN reservations.key_id IS 'The key that made the reservation.';
COMMENT ON COLUMN reservations.hours IS 'How many hours it lasts from the time at which it becomes live.';
COMMENT ON COLUMN reservations.held_from IS 'When it became live; NULL: still in the queue.';
COMMENT ON COLUMN reservations.until_at IS 'When it lapses, even if the row does not say so yet.';
COMMENT ON COLUMN reservations.ended IS 'NULL: live, expired but not yet marked as lapsed, or in the queue.';
COMMENT ON COLUMN reservations.reason IS 'Why it was released.';
COMMENT ON COLUMN reservations.notify_since IS 'Since when the person should be notified that their turn has come, or that it will not; NULL: nothing to notify.';

CREATE TABLE deposits (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    reservation_id bigint NOT NULL REFERENCES reservations,
    receipt_no integer NOT NULL CONSTRAINT deposits_receipt_no UNIQUE CONSTRAINT deposits_receipt_no_from_1 CHECK (receipt_no > 0),
    on_day date NOT NULL,
    amount numeric(12, 2) NOT NULL CONSTRAINT deposits_amount CHECK (amount > 0),
    method text NOT NULL CONSTRAINT deposits_method CHECK (method <> 'part_exchange'),
    notes_into_bank boolean NOT NULL DEFAULT false,
    notes text,
    CONSTRAINT deposits_notes CHECK (method = 'transfer' OR NOT notes_into_bank)
);
CREATE INDEX deposits_reservation ON deposits (reservation_id);
CREATE INDEX deposits_on_day ON deposits (on_day, id);
COMMENT ON TABLE deposits IS 'Money received for reservations. The firm owes it to the payer until it is set off at a sale or returned.';
COMMENT ON COLUMN deposits.receipt_no IS 'Number of the firm''s receipt; numbered in sequence without gaps.';

CREATE TABLE deposit_receipts (
    one boolean PRIMARY KEY DEFAULT true CONSTRAINT deposit_receipts_one CHECK (one),
    last_no integer NOT NULL CONSTRAINT deposit_receipts_last_no CHECK (last_no >= 0)
);
INSERT INTO deposit_receipts (last_no) VALUES (0);
COMMENT ON TABLE deposit_receipts IS 'Last number used for a deposit receipt. Each deposit locks the one row until it is stored, so that the numbers have no gaps.';

CREATE TABLE deposit_returns (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    deposit_id bigint NOT NULL CONSTRAINT deposit_returns_once UNIQUE REFERENCES deposits,
    on_day date NOT NULL,
    method text NOT NULL CONSTRAINT deposit_returns_method CHECK (method <> 'part_exchange'),
    reason text
);
CREATE INDEX deposit_returns_on_day ON deposit_returns (on_day, id);
COMMENT ON TABLE deposit_returns IS 'Deposits that were paid back in full.';

CREATE TABLE offers (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    person_id bigint NOT NULL REFERENCES persons,
    on_day date NOT NULL,
    amount numeric(12, 2) NOT NULL CONSTRAINT offers_amount CHECK (amount > 0),
    until_day date,
    notes text,
    confirmed text[] NOT NULL DEFAULT '{}',
    ended_by_sale_id bigint REFERENCES sales,
    CONSTRAINT offers_until CHECK (until_day >= on_day)
);
CREATE INDEX offers_stock_no ON offers (stock_no);
CREATE INDEX offers_person ON offers (person_id);
COMMENT ON TABLE offers IS 'What someone would pay for an engine.';
COMMENT ON COLUMN offers.until_day IS 'Last day on which the offer is valid; NULL: no end was given.';
COMMENT ON COLUMN offers.confirmed IS 'Members with values outside the usual limits that were confirmed.';
COMMENT ON COLUMN offers.ended_by_sale_id IS 'The sale to someone else that ended the offer; NULL: none did. Kept when that sale is cancelled.';

CREATE TABLE offer_answers (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    offer_id bigint NOT NULL REFERENCES offers,
    answer text NOT NULL CONSTRAINT offer_answers_answer CHECK (answer IN ('accepted', 'declined', 'countered', 'withdrawn')),
    on_day date NOT NULL,
    amount numeric(12, 2) CONSTRAINT offer_answers_amount CHECK (amount > 0),
    CONSTRAINT offer_answers_countered CHECK ((answer = 'countered') = (amount IS NOT NULL))
);
CREATE INDEX offer_answers_offer ON offer_answers (offer_id, id);
COMMENT ON TABLE offer_answers IS 'Answers to offers; the last one counts.';
COMMENT ON COLUMN offer_answers.amount IS 'The price that the firm would accept instead; NULL unless the answer is a counter-offer.';

CREATE TABLE promises (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    person_id bigint NOT NULL REFERENCES persons,
    given_on date NOT NULL,
    kind text NOT NULL CONSTRAINT promises_kind CHECK (kind IN ('ready_for_collection', 'delivered', 'at_inspector', 'other')),
    description text,
    on_day date NOT NULL,
    ended text CONSTRAINT promises_ended CHECK (ended IN ('kept', 'broken', 'withdrawn')),
    ended_on date,
    reason text,
    CONSTRAINT promises_description CHECK (kind <> 'other' OR description IS NOT NULL OR ended IS NOT NULL),
    CONSTRAINT promises_end CHECK ((ended IS NULL) = (ended_on IS NULL)),
    CONSTRAINT promises_on_day CHECK (on_day >= given_on)
);
CREATE INDEX promises_open ON promises (on_day) WHERE ended IS NULL;
CREATE INDEX promises_stock_no ON promises (stock_no);
CREATE INDEX promises_person ON promises (person_id);
COMMENT ON TABLE promises IS 'Dates promised to customers. The day promised for a sold engine to leave is kept with its sale, not here.';
COMMENT ON COLUMN promises.ended IS 'NULL: open.';

CREATE TABLE payments (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sale_id bigint NOT NULL REFERENCES sales,
    on_day date NOT NULL,
    amount numeric(12, 2) NOT NULL CONSTRAINT payments_amount CHECK (amount <> 0),
    method text NOT NULL,
    notes text,
    acquisition_id bigint CONSTRAINT payments_one_per_acquisition UNIQUE,
    notes_into_bank boolean NOT NULL DEFAULT false,
    deposit_id bigint CONSTRAINT payments_one_per_deposit UNIQUE REFERENCES deposits,
    CONSTRAINT payments_acquisition FOREIGN KEY (acquisition_id, sale_id) REFERENCES acquisitions (id, sale_id),
    CONSTRAINT payments_part_exchange CHECK (acquisition_id IS NULL OR method = 'part_exchange'),
    CONSTRAINT payments_notes CHECK (method = 'transfer' OR NOT notes_into_bank),
    CONSTRAINT payments_deposit CHECK (deposit_id IS NULL OR (amount > 0 AND acquisition_id IS NULL))
);
CREATE INDEX payments_sale ON payments (sale_id);
CREATE INDEX payments_on_day ON payments (on_day, id);
COMMENT ON TABLE payments IS 'Money received for sales; a negative amount was paid back.';
COMMENT ON COLUMN payments.acquisition_id IS 'The part-exchange acquisition with the allowance that is set off; NULL: paid in money.';
COMMENT ON COLUMN payments.notes_into_bank IS 'The payer paid banknotes into the firm''s bank account, which the cash rule counts as cash.';
COMMENT ON COLUMN payments.deposit_id IS 'The deposit that is set off; NULL: no deposit.';

CREATE TABLE payouts (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sale_id bigint NOT NULL REFERENCES sales,
    on_day date NOT NULL,
    amount numeric(12, 2) NOT NULL CONSTRAINT payouts_amount CHECK (amount <> 0),
    method text NOT NULL CONSTRAINT payouts_method CHECK (method <> 'part_exchange'),
    notes text
);
CREATE INDEX payouts_sale ON payouts (sale_id);
COMMENT ON TABLE payouts IS 'Money paid to owners of engines sold on commission; a negative amount came back.';

CREATE TABLE exports (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sale_id bigint NOT NULL CONSTRAINT exports_one_a_sale UNIQUE REFERENCES sales,
    destination text NOT NULL,
    method text NOT NULL,
    left_on date,
    evidence text,
    evidence_on date,
    used_before_leaving boolean NOT NULL DEFAULT false,
    CONSTRAINT exports_evidence CHECK ((evidence IS NULL) = (evidence_on IS NULL))
);
COMMENT ON TABLE exports IS 'Sales of engines that go to another country; at most one row for a sale.';
COMMENT ON COLUMN exports.destination IS 'ISO 3166-1, two letters.';
COMMENT ON COLUMN exports.method IS 'Who takes it there: the seller has control to the end, or the buyer collects.';
COMMENT ON COLUMN exports.left_on IS 'Day on which it left the firm''s country; NULL: it has not left.';
COMMENT ON COLUMN exports.evidence IS 'Evidence that it left, such as a customs declaration or a waybill; NULL: none received.';
COMMENT ON COLUMN exports.evidence_on IS 'Day on which the firm received the evidence; NULL: none received.';
COMMENT ON COLUMN exports.used_before_leaving IS 'It was used in the firm''s country before it left, so that late evidence does not recover the tax.';

CREATE TABLE deliveries (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sale_id bigint NOT NULL CONSTRAINT deliveries_one_per_sale UNIQUE REFERENCES sales,
    stock_no integer NOT NULL REFERENCES engines,
    on_day date NOT NULL,
    method text NOT NULL,
    handed_to text NOT NULL,
    items_handed_over text,
    carrier text,
    carrier_reference text,
    country text,
    CONSTRAINT deliveries_carrier CHECK (method <> 'carrier' OR carrier IS NOT NULL),
    CONSTRAINT deliveries_country CHECK (method <> 'export' OR country IS NOT NULL)
);
COMMENT ON TABLE deliveries IS 'When and how sold engines left.';
COMMENT ON COLUMN deliveries.carrier_reference IS 'As the carrier wrote it.';
COMMENT ON COLUMN deliveries.country IS 'Destination of an export, ISO 3166-1, two letters; NULL for all other deliveries.';

CREATE TABLE returns (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sale_id bigint NOT NULL CONSTRAINT returns_one_per_sale UNIQUE,
    delivery_id bigint CONSTRAINT returns_one_per_delivery UNIQUE REFERENCES deliveries,
    on_day date NOT NULL,
    reason text NOT NULL CONSTRAINT returns_why CHECK (reason IN ('rejected', 'cancelled', 'agreed')),
    paid numeric(12, 2) NOT NULL,
    refund numeric(12, 2) NOT NULL,
    credit_note_no integer NOT NULL CONSTRAINT returns_credit_note_no UNIQUE CONSTRAINT returns_credit_note_no_from_1 CHECK (credit_note_no > 0),
    notes text,
    CONSTRAINT returns_of_undone_sale FOREIGN KEY (sale_id, on_day) REFERENCES sales (id, sale_cancelled_on),
    CONSTRAINT returns_refund CHECK (refund BETWEEN 0 AND paid)
);
COMMENT ON TABLE returns IS 'How sales were cancelled: the engine came back, or it never left.';
COMMENT ON COLUMN returns.delivery_id IS 'The delivery of the engine that came back; NULL: the sale was cancelled before the engine left.';
COMMENT ON COLUMN returns.paid IS 'What the buyer had paid by then; less the refund, this is what the firm keeps.';
COMMENT ON COLUMN returns.refund IS 'Refund agreed.';
COMMENT ON COLUMN returns.credit_note_no IS 'Number of the firm''s credit note; numbered in sequence without gaps.';

CREATE TABLE credit_notes (
    one boolean PRIMARY KEY DEFAULT true CONSTRAINT credit_notes_one CHECK (one),
    last_no integer NOT NULL CONSTRAINT credit_notes_last_no CHECK (last_no >= 0)
);
INSERT INTO credit_notes (last_no) VALUES (0);
COMMENT ON TABLE credit_notes IS 'Last number used for a credit note. Each return locks the one row until it is stored, so that the numbers have no gaps.';

CREATE TABLE complaints (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sale_id bigint NOT NULL REFERENCES sales,
    asked_on date NOT NULL,
    description text NOT NULL,
    given_back_on date,
    CONSTRAINT complaints_given_back_on CHECK (given_back_on >= asked_on)
);
CREATE INDEX complaints_sale ON complaints (sale_id);
COMMENT ON TABLE complaints IS 'Repairs and replacements that buyers asked for after delivery.';
COMMENT ON COLUMN complaints.given_back_on IS 'Day on which the buyer got the engine back; NULL: still away.';

ALTER TABLE findings ADD FOREIGN KEY (complaint_id) REFERENCES complaints;

CREATE TABLE support_notes (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sale_id bigint NOT NULL REFERENCES sales,
    on_day date NOT NULL,
    message text NOT NULL,
    answered text
);
CREATE INDEX support_notes_sale ON support_notes (sale_id);
COMMENT ON TABLE support_notes IS 'Questions that buyers asked after a sale.';
COMMENT ON COLUMN support_notes.answered IS 'The answer; NULL: not answered yet.';

CREATE TABLE disposals (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL CONSTRAINT disposals_one_per_engine UNIQUE REFERENCES engines,
    on_day date NOT NULL,
    method text NOT NULL CONSTRAINT disposals_method CHECK (method IN ('returned_to_seller', 'taken_back_by_owner', 'scrapped', 'broken_for_parts')),
    notes text
);
COMMENT ON TABLE disposals IS 'How engines left without a sale.';

CREATE TABLE owner_notes (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    topic text NOT NULL CONSTRAINT owner_notes_topic CHECK (topic IN ('running_in', 'laying_up', 'other')),
    kind text CONSTRAINT owner_notes_kind CHECK (kind IN ('locomotive', 'road_engine', 'stationary', 'other')),
    fuel text CONSTRAINT owner_notes_fuel CHECK (fuel IN ('coal', 'wood', 'oil', 'gas', 'spirit', 'electric')),
    notes text NOT NULL
);
COMMENT ON TABLE owner_notes IS 'The firm''s own notes for new owners of engines.';
COMMENT ON COLUMN owner_notes.kind IS 'NULL: for engines of every kind.';
COMMENT ON COLUMN owner_notes.fuel IS 'NULL: for engines with any fuel.';

CREATE FUNCTION gone_by(engine integer, day date) RETURNS boolean LANGUAGE sql STABLE
RETURN EXISTS (SELECT 1 FROM sales WHERE stock_no = engine AND on_day <= day AND (sale_cancelled_on IS NULL OR sale_cancelled_on > day))
    OR EXISTS (SELECT 1 FROM disposals WHERE stock_no = engine AND on_day <= day);
COMMENT ON FUNCTION gone_by IS 'Whether an engine is sold, or left without a sale, at the end of a day.';

CREATE VIEW stock AS
SELECT e.stock_no,
    CASE WHEN x.id IS NOT NULL THEN 'gone' WHEN d.id IS NOT NULL THEN 'delivered' WHEN s.id IS NOT NULL THEN 'sold' ELSE 'in_stock' END
        AS status,
    p.price AS asking_price,
    f.boiler_id,
    l.status AS listing,
    CASE WHEN NOT l.price_on_request THEN p.price END AS public_price,
    r.until_at AS reserved_until
FROM engines e
LEFT JOIN LATERAL (SELECT a.price FROM asking_prices a WHERE a.stock_no = e.stock_no ORDER BY a.id DESC LIMIT 1) p ON true
LEFT JOIN sales s ON s.stock_no = e.stock_no AND s.sale_cancelled_on IS NULL
LEFT JOIN deliveries d ON d.sale_id = s.id
LEFT JOIN disposals x ON x.stock_no = e.stock_no
LEFT JOIN boiler_installations f ON f.stock_no = e.stock_no AND f.removed_on IS NULL
LEFT JOIN listings l ON l.stock_no = e.stock_no
LEFT JOIN reservations r ON r.stock_no = e.stock_no AND r.held_from IS NOT NULL AND r.ended IS NULL;
COMMENT ON VIEW stock IS 'The current status of each engine, derived from the other tables; nothing is stored.';
COMMENT ON COLUMN stock.public_price IS 'The asking price that visitors may see; NULL: not listed, no price set, or price on request.';
COMMENT ON COLUMN stock.reserved_until IS 'When the reservation of an engine in stock lapses: it is reserved only before that time. NULL: not reserved.';

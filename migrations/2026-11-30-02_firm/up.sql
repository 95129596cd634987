CREATE TABLE firm (
    one boolean PRIMARY KEY DEFAULT true CONSTRAINT firm_one CHECK (one),
    name text NOT NULL,
    currency text NOT NULL CONSTRAINT firm_currency CHECK (currency ~ '^[A-Z]{3}$'),
    time_zone text NOT NULL,
    jurisdiction text NOT NULL,
    page_url text,
    reservation_hours integer NOT NULL DEFAULT 72 CONSTRAINT firm_reservation_hours CHECK (reservation_hours BETWEEN 1 AND 2160),
    address text,
    vat_number text,
    paper_size text NOT NULL DEFAULT 'a4' CONSTRAINT firm_paper_size CHECK (paper_size IN ('a4', 'letter')),
    feed_id uuid NOT NULL DEFAULT gen_random_uuid(),
    languages text[] NOT NULL DEFAULT '{en}' CHECK (cardinality(languages) BETWEEN 1 AND 10 AND array_position(languages, NULL) IS NULL),
    benches integer NOT NULL DEFAULT 3 CONSTRAINT firm_benches CHECK (benches BETWEEN 0 AND 100),
    steaming_bays integer NOT NULL DEFAULT 1 CONSTRAINT firm_steaming_bays CHECK (steaming_bays BETWEEN 0 AND 100)
);
INSERT INTO firm (name, currency, time_zone, jurisdiction) VALUES ('Unnamed works', 'GBP', 'Europe/London', 'GB');
COMMENT ON TABLE firm IS 'The firm itself: one row.';
COMMENT ON COLUMN firm.currency IS 'ISO 4217; every amount of the database is in it.';
COMMENT ON COLUMN firm.time_zone IS 'IANA name; every civil day is a day of this zone.';
COMMENT ON COLUMN firm.jurisdiction IS 'Whose boiler codes and tax rules hold.';
COMMENT ON COLUMN firm.page_url IS 'RFC 6570 template of the page of an engine on the shop site; NULL without a site.';
COMMENT ON COLUMN firm.reservation_hours IS 'How long a reservation holds when nobody says how long.';
COMMENT ON COLUMN firm.address IS 'As invoices show it; NULL: not told.';
COMMENT ON COLUMN firm.vat_number IS 'As invoices show it; NULL: not told, or not registered.';
COMMENT ON COLUMN firm.paper_size IS 'On which sheets are printed.';
COMMENT ON COLUMN firm.feed_id IS 'Of the Atom feed; the ids of its entries follow from it and never change.';
COMMENT ON COLUMN firm.languages IS 'BCP 47; titles and words are written in the first.';
COMMENT ON COLUMN firm.benches IS 'How many engines can be worked at at once.';
COMMENT ON COLUMN firm.steaming_bays IS 'How many engines can be in steam at once.';

CREATE TABLE persons (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    name text NOT NULL,
    email text,
    telephone text,
    address text,
    erased_on date,
    erasure_id uuid NOT NULL DEFAULT gen_random_uuid() CONSTRAINT persons_erasure_id UNIQUE
);
COMMENT ON TABLE persons IS 'Sellers, owners and buyers, once each, with the least that is needed; never public.';
COMMENT ON COLUMN persons.erased_on IS 'Day of the erasure: name and address are then those that the law wants beside a sale or a purchase, else the name is a placeholder; NULL: not erased.';
COMMENT ON COLUMN persons.erasure_id IS 'Names the person in the list of erasures that lies outside of the database. Ids of persons are given again after a restore, these are not.';

CREATE TABLE boiler_codes (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    jurisdiction text NOT NULL,
    name text NOT NULL,
    CONSTRAINT boiler_codes_name UNIQUE (jurisdiction, name)
);
COMMENT ON TABLE boiler_codes IS 'Named sets of test rules of one jurisdiction.';

CREATE TABLE boiler_code_rules (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    code_id bigint NOT NULL REFERENCES boiler_codes,
    rule text NOT NULL,
    material text,
    band text,
    first_service_from date,
    value numeric(12, 4) CONSTRAINT boiler_code_rules_value CHECK (value > 0),
    unit text NOT NULL,
    effect text NOT NULL,
    valid_from date,
    valid_until date,
    source text NOT NULL,
    mark text NOT NULL,
    notes text,
    accepts text,
    CONSTRAINT boiler_code_rules_order CHECK (valid_until >= valid_from),
    CONSTRAINT boiler_code_rules_accepts CHECK ((rule = 'accepts_tests_of') = (accepts IS NOT NULL))
);
CREATE INDEX boiler_code_rules_code ON boiler_code_rules (code_id);
COMMENT ON TABLE boiler_code_rules IS 'The test rules of boiler codes, one dated row each; a row is ended and another added, never edited.';
COMMENT ON COLUMN boiler_code_rules.material IS 'NULL: any; so are band and first_service_from.';
COMMENT ON COLUMN boiler_code_rules.value IS 'In the unit named; NULL where the unit says it all.';
COMMENT ON COLUMN boiler_code_rules.valid_from IS 'First day; NULL: the source prints none, and the row also holds for older tests.';
COMMENT ON COLUMN boiler_code_rules.valid_until IS 'Last day, inclusive; NULL: in force.';
COMMENT ON COLUMN boiler_code_rules.mark IS 'How sure the row is.';
COMMENT ON COLUMN boiler_code_rules.accepts IS 'The place whose tests count too, in a row accepts_tests_of; else NULL.';

CREATE TABLE tax_rules (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    jurisdiction text NOT NULL,
    rule text NOT NULL,
    value numeric(12, 4),
    unit text NOT NULL,
    valid_from date,
    valid_until date,
    source text NOT NULL,
    mark text NOT NULL,
    notes text,
    CONSTRAINT tax_rules_order CHECK (valid_until >= valid_from),
    CONSTRAINT tax_rules_value CHECK (value >= 0 AND (value > 0 OR unit = 'percent'))
);
COMMENT ON TABLE tax_rules IS 'Rules of tax and cash, one dated row each; a row is ended and another added, never edited.';
COMMENT ON COLUMN tax_rules.value IS 'In the unit named; NULL where the unit says it all.';
COMMENT ON COLUMN tax_rules.valid_from IS 'First day; NULL: the source prints none, and the row also holds before.';
COMMENT ON COLUMN tax_rules.valid_until IS 'Last day, inclusive; NULL: in force.';
COMMENT ON COLUMN tax_rules.mark IS 'How sure the row is.';

CREATE TABLE statutory_periods (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    jurisdiction text NOT NULL,
    rule text NOT NULL,
    value integer NOT NULL CONSTRAINT statutory_periods_value CHECK (value BETWEEN 0 AND 10000),
    unit text NOT NULL,
    valid_from date,
    valid_until date,
    source text NOT NULL,
    mark text NOT NULL,
    CONSTRAINT statutory_periods_order CHECK (valid_until >= valid_from)
);
COMMENT ON TABLE statutory_periods IS 'Terms of the law of sale, one dated row each; a row is ended and another added, never edited.';
COMMENT ON COLUMN statutory_periods.valid_from IS 'First day of delivery that it is for; NULL: all before too.';
COMMENT ON COLUMN statutory_periods.valid_until IS 'Last day, inclusive; NULL: in force.';
COMMENT ON COLUMN statutory_periods.mark IS 'How sure the row is.';

CREATE TABLE tax_periods (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    from_day date NOT NULL,
    until_day date NOT NULL CONSTRAINT tax_periods_until UNIQUE,
    closed_on date NOT NULL,
    CONSTRAINT tax_periods_order CHECK (until_day >= from_day AND closed_on > until_day)
);
COMMENT ON TABLE tax_periods IS 'Closed tax periods, one after the other; nothing is dated on or before the last day of the last one.';

CREATE TABLE exchange_rates (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    currency text NOT NULL CONSTRAINT exchange_rates_currency CHECK (currency IN ('EUR', 'GBP')),
    from_day date NOT NULL,
    worth text NOT NULL CONSTRAINT exchange_rates_worth CHECK (worth::numeric > 0 AND worth::numeric <= 1000),
    source text NOT NULL,
    CONSTRAINT exchange_rates_one_a_day UNIQUE (currency, from_day)
);
COMMENT ON TABLE exchange_rates IS 'What one unit of a currency is worth in the firm''s, from a day on until the next row of that currency.';

CREATE TABLE accounts (
    account text PRIMARY KEY,
    number text,
    name text
);
COMMENT ON TABLE accounts IS 'The firm''s own numbers and names for what amounts are booked to; a missing row has neither.';

CREATE TABLE hour_rates (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    fitter text NOT NULL,
    from_day date NOT NULL,
    cost_rate numeric(12, 2) NOT NULL CONSTRAINT hour_rates_cost_rate CHECK (cost_rate >= 0),
    recovery_rate numeric(12, 2) NOT NULL CONSTRAINT hour_rates_recovery_rate CHECK (recovery_rate >= 0),
    CONSTRAINT hour_rates_one_a_day UNIQUE (fitter, from_day)
);
COMMENT ON TABLE hour_rates IS 'What an hour of a fitter costs and is worth, from a day on until the next row of that fitter.';
COMMENT ON COLUMN hour_rates.cost_rate IS 'For the books; 0 for a proprietor''s own hours.';
COMMENT ON COLUMN hour_rates.recovery_rate IS 'For the break-even price.';

CREATE TABLE prints (
    secret_sha256 bytea PRIMARY KEY,
    html text NOT NULL,
    until_at timestamptz NOT NULL
);
CREATE INDEX prints_until_at ON prints (until_at);
COMMENT ON TABLE prints IS 'Sheets that wait to be opened once in a browser.';

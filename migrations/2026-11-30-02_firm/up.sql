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
COMMENT ON TABLE firm IS 'The firm: one row.';
COMMENT ON COLUMN firm.currency IS 'ISO 4217 code of every amount in the database.';
COMMENT ON COLUMN firm.time_zone IS 'IANA name; all dates are dates in this zone.';
COMMENT ON COLUMN firm.jurisdiction IS 'The jurisdiction of the boiler codes and tax rules that apply.';
COMMENT ON COLUMN firm.page_url IS 'RFC 6570 template of an engine''s page on the shop site; NULL: there is no site.';
COMMENT ON COLUMN firm.reservation_hours IS 'Hours that a reservation lasts if the request does not say.';
COMMENT ON COLUMN firm.address IS 'As printed on invoices; NULL: not given.';
COMMENT ON COLUMN firm.vat_number IS 'As printed on invoices; NULL: not given, or not registered for VAT.';
COMMENT ON COLUMN firm.paper_size IS 'Paper size of printed sheets.';
COMMENT ON COLUMN firm.feed_id IS 'Id of the Atom feed; the ids of its entries are derived from it and never change.';
COMMENT ON COLUMN firm.languages IS 'BCP 47; the first is the language of titles and descriptions.';
COMMENT ON COLUMN firm.benches IS 'How many engines can be worked on at once.';
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
COMMENT ON TABLE persons IS 'Sellers, owners and buyers, each recorded once and with as little as needed; never public.';
COMMENT ON COLUMN persons.erased_on IS 'Day of the erasure: what remains is the name and address that the law requires with a sale or a purchase, or else a placeholder; NULL: not erased.';
COMMENT ON COLUMN persons.erasure_id IS 'Identifies the person in the list of erasures outside the database. Unlike ids of persons it is never used again after a restore.';

CREATE TABLE boiler_codes (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    jurisdiction text NOT NULL,
    name text NOT NULL,
    CONSTRAINT boiler_codes_name UNIQUE (jurisdiction, name)
);
COMMENT ON TABLE boiler_codes IS 'Named sets of test rules of a jurisdiction.';

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
COMMENT ON TABLE boiler_code_rules IS 'Test rules of boiler codes, each from a date; a rule is ended and another added, never edited.';
COMMENT ON COLUMN boiler_code_rules.material IS 'NULL: any; the same goes for band and first_service_from.';
COMMENT ON COLUMN boiler_code_rules.value IS 'In the row''s unit; NULL: the unit says it all.';
COMMENT ON COLUMN boiler_code_rules.valid_from IS 'First day in force; NULL: from the beginning, as the source gives no date.';
COMMENT ON COLUMN boiler_code_rules.valid_until IS 'Last day in force, inclusive; NULL: no end.';
COMMENT ON COLUMN boiler_code_rules.mark IS 'How certain the rule is.';
COMMENT ON COLUMN boiler_code_rules.accepts IS 'For a rule accepts_tests_of, the jurisdiction whose tests count too; else NULL.';

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
COMMENT ON TABLE tax_rules IS 'Rules of tax and cash, each from a date; a rule is ended and another added, never edited.';
COMMENT ON COLUMN tax_rules.value IS 'In the row''s unit; NULL: the unit says it all.';
COMMENT ON COLUMN tax_rules.valid_from IS 'First day in force; NULL: from the beginning, as the source gives no date.';
COMMENT ON COLUMN tax_rules.valid_until IS 'Last day in force, inclusive; NULL: no end.';
COMMENT ON COLUMN tax_rules.mark IS 'How certain the rule is.';

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
COMMENT ON TABLE statutory_periods IS 'Statutory time limits of a sale, each from a date; a row is ended and another added, never edited.';
COMMENT ON COLUMN statutory_periods.valid_from IS 'First day of delivery that it applies to; NULL: all earlier ones too.';
COMMENT ON COLUMN statutory_periods.valid_until IS 'Last day, inclusive; NULL: no end.';
COMMENT ON COLUMN statutory_periods.mark IS 'How certain the rule is.';

CREATE TABLE tax_periods (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    from_day date NOT NULL,
    until_day date NOT NULL CONSTRAINT tax_periods_until UNIQUE,
    closed_on date NOT NULL,
    CONSTRAINT tax_periods_order CHECK (until_day >= from_day AND closed_on > until_day)
);
COMMENT ON TABLE tax_periods IS 'Closed tax periods, one after the other; nothing may be dated on or before the last day of the last one.';

CREATE TABLE exchange_rates (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    currency text NOT NULL CONSTRAINT exchange_rates_currency CHECK (currency IN ('EUR', 'GBP')),
    from_day date NOT NULL,
    worth text NOT NULL CONSTRAINT exchange_rates_worth CHECK (worth::numeric > 0 AND worth::numeric <= 1000),
    source text NOT NULL,
    CONSTRAINT exchange_rates_one_a_day UNIQUE (currency, from_day)
);
COMMENT ON TABLE exchange_rates IS 'Value of one unit of a currency in the firm''s currency, from a day until the next row of that currency.';

CREATE TABLE accounts (
    account text PRIMARY KEY,
    number text,
    name text
);
COMMENT ON TABLE accounts IS 'The firm''s own account numbers and names; an account without a row has neither.';

CREATE TABLE hour_rates (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    fitter text NOT NULL,
    from_day date NOT NULL,
    cost_rate numeric(12, 2) NOT NULL CONSTRAINT hour_rates_cost_rate CHECK (cost_rate >= 0),
    recovery_rate numeric(12, 2) NOT NULL CONSTRAINT hour_rates_recovery_rate CHECK (recovery_rate >= 0),
    CONSTRAINT hour_rates_one_a_day UNIQUE (fitter, from_day)
);
COMMENT ON TABLE hour_rates IS 'Cost and recovery rate of a fitter''s hour, from a day until the next row of that fitter.';
COMMENT ON COLUMN hour_rates.cost_rate IS 'For the books; 0 for a proprietor''s own hours.';
COMMENT ON COLUMN hour_rates.recovery_rate IS 'For the break-even price.';

CREATE TABLE prints (
    secret_sha256 bytea PRIMARY KEY,
    html text NOT NULL,
    until_at timestamptz NOT NULL
);
CREATE INDEX prints_until_at ON prints (until_at);
COMMENT ON TABLE prints IS 'Sheets waiting to be opened once in a browser.';

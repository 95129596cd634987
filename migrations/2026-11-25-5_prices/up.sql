CREATE TABLE guides (
    version integer PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    from_day date NOT NULL,
    uncertainty text NOT NULL CONSTRAINT guides_uncertainty CHECK (uncertainty::numeric > 0 AND uncertainty::numeric <= 2),
    words text,
    starts jsonb NOT NULL,
    factors jsonb NOT NULL
);
CREATE INDEX guides_from_day ON guides (from_day, version);
COMMENT ON TABLE guides IS 'Versions of the firm''s own pricing guide, each kept for ever.';
COMMENT ON COLUMN guides.uncertainty IS 'Four prices in five lie between likely / (1 + uncertainty) and likely x (1 + uncertainty).';
COMMENT ON COLUMN guides.starts IS 'As the proprietor wrote them, without the converted figures.';

CREATE TABLE comparables (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    on_day date NOT NULL,
    price numeric(12, 2) NOT NULL CONSTRAINT comparables_price CHECK (price > 0),
    source text NOT NULL,
    kind text NOT NULL,
    gauge text,
    gauge_mm numeric(12, 4),
    description text NOT NULL,
    whyte text,
    fuel text,
    weight text,
    build_quality text,
    builder_standing text,
    working_order text,
    boiler text,
    fittings_and_feeds text,
    cylinders_and_valves text,
    motion text,
    wheels_and_axleboxes text,
    frames text,
    platework_and_paint text,
    completeness text,
    papers_months_left integer CONSTRAINT comparables_papers CHECK (papers_months_left BETWEEN 0 AND 60),
    boiler_material text,
    goes_with text[] NOT NULL DEFAULT '{}',
    stock_no integer REFERENCES engines,
    withdrawn_on date,
    withdrawn_because text,
    CONSTRAINT comparables_withdrawn CHECK ((withdrawn_on IS NULL) = (withdrawn_because IS NULL))
);
CREATE INDEX comparables_on_day ON comparables (on_day);
COMMENT ON TABLE comparables IS 'Achieved sales, own or observed elsewhere. NULL means not known.';
COMMENT ON COLUMN comparables.gauge IS 'As written, with its unit; so is the weight.';
COMMENT ON COLUMN comparables.boiler IS 'Condition grade; so are the seven columns after it.';
COMMENT ON COLUMN comparables.stock_no IS 'The engine, where it was the firm''s own.';

CREATE TABLE valuations (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    on_day date NOT NULL,
    basis text NOT NULL,
    guide_version integer NOT NULL REFERENCES guides,
    low numeric(12, 2) NOT NULL,
    likely numeric(12, 2) NOT NULL,
    high numeric(12, 2) NOT NULL,
    answer jsonb NOT NULL,
    CONSTRAINT valuations_order CHECK (low <= likely AND likely <= high)
);
CREATE INDEX valuations_stock_no ON valuations (stock_no, on_day);
COMMENT ON TABLE valuations IS 'Every valuation made, kept for ever.';
COMMENT ON COLUMN valuations.answer IS 'Steps, missing facts and warnings as they were answered.';

CREATE TABLE asking_prices (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    on_day date NOT NULL,
    price numeric(12, 2) NOT NULL CONSTRAINT asking_prices_price CHECK (price > 0),
    reason text,
    valuation_id bigint REFERENCES valuations
);
CREATE INDEX asking_prices_stock_no ON asking_prices (stock_no, id DESC);
COMMENT ON TABLE asking_prices IS 'What the firm decided to ask; the last row of an engine holds.';

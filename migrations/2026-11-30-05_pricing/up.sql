CREATE TABLE price_scales (
    version integer PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    from_day date NOT NULL,
    uncertainty text NOT NULL CONSTRAINT price_scales_uncertainty CHECK (uncertainty::numeric > 0 AND uncertainty::numeric <= 2),
    notes text,
    starts jsonb NOT NULL,
    factors jsonb NOT NULL
);
CREATE INDEX price_scales_from_day ON price_scales (from_day, version);
COMMENT ON TABLE price_scales IS 'Versions of the firm''s price scale; every version is kept for ever.';
COMMENT ON COLUMN price_scales.uncertainty IS 'The firm expects four prices in five between likely / (1 + uncertainty) and likely x (1 + uncertainty).';
COMMENT ON COLUMN price_scales.starts IS 'Base prices as the proprietor entered them, without the millimetres calculated from them.';

CREATE TABLE sales_learned (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sha256 bytea NOT NULL CONSTRAINT sales_learned_once UNIQUE,
    sale jsonb NOT NULL
);
COMMENT ON TABLE sales_learned IS 'Sales as price models used them. Each form of a sale is stored once and kept for ever.';
COMMENT ON COLUMN sales_learned.sha256 IS 'SHA-256 of the column sale as it was written.';

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
    included_items text[] NOT NULL DEFAULT '{}',
    stock_no integer REFERENCES engines,
    withdrawn_on date,
    withdrawal_reason text,
    CONSTRAINT comparables_withdrawn CHECK ((withdrawn_on IS NULL) = (withdrawal_reason IS NULL))
);
CREATE INDEX comparables_on_day ON comparables (on_day);
COMMENT ON TABLE comparables IS 'Achieved sales, the firm''s own or observed elsewhere. NULL: not known.';
COMMENT ON COLUMN comparables.gauge IS 'As entered, with its unit; so is the weight.';
COMMENT ON COLUMN comparables.boiler IS 'Condition grade; so are the seven columns after it.';
COMMENT ON COLUMN comparables.stock_no IS 'The engine, if the firm sold it.';

CREATE TABLE price_models (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    on_day date NOT NULL,
    inputs_sha256 bytea NOT NULL,
    price_scale_version integer NOT NULL REFERENCES price_scales,
    n_sales integer NOT NULL,
    n_not_priced integer NOT NULL,
    learned jsonb,
    outliers jsonb NOT NULL,
    sale_ids bigint[] NOT NULL,
    CONSTRAINT price_models_enough CHECK ((learned IS NULL) = (n_sales < 8))
);
COMMENT ON TABLE price_models IS 'Models fitted to achieved sales whenever they or the price scale changed; kept for ever, because valuations refer to them.';
COMMENT ON COLUMN price_models.inputs_sha256 IS 'SHA-256 of the sales, the price scale, the features and the fitting method.';
COMMENT ON COLUMN price_models.n_not_priced IS 'Sales left out because the price scale has no price for them.';
COMMENT ON COLUMN price_models.learned IS 'The fitted parameters; NULL: there were too few sales.';
COMMENT ON COLUMN price_models.sale_ids IS 'The sales used, by day and price: with the column learned they restore the model.';

CREATE TABLE valuations (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    on_day date NOT NULL,
    basis text NOT NULL,
    price_scale_version integer NOT NULL REFERENCES price_scales,
    low numeric(12, 2) NOT NULL,
    likely numeric(12, 2) NOT NULL,
    high numeric(12, 2) NOT NULL,
    answer jsonb NOT NULL,
    price_model_id bigint REFERENCES price_models,
    made_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    CONSTRAINT valuations_order CHECK (low <= likely AND likely <= high),
    CONSTRAINT valuations_fit CHECK ((basis = 'sales') = (price_model_id IS NOT NULL))
);
CREATE INDEX valuations_stock_no ON valuations (stock_no, on_day);
COMMENT ON TABLE valuations IS 'Every valuation made; kept for ever.';
COMMENT ON COLUMN valuations.answer IS 'Steps, missing facts and warnings as they were returned.';
COMMENT ON COLUMN valuations.price_model_id IS 'NULL: only the price scale was used.';
COMMENT ON COLUMN valuations.made_at IS 'Shows whether the valuation was made before the sale was recorded.';

CREATE TABLE back_tests (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    from_day date NOT NULL,
    to_day date NOT NULL,
    asked_on date NOT NULL,
    sales jsonb,
    CONSTRAINT back_tests_order CHECK (from_day <= to_day AND to_day <= asked_on)
);
CREATE INDEX back_tests_waiting ON back_tests (id) WHERE sales IS NULL;
COMMENT ON TABLE back_tests IS 'The firm''s own sales, each valued from the sales before it.';
COMMENT ON COLUMN back_tests.sales IS 'Each sale with its valuation; NULL until it is calculated.';

CREATE TABLE asking_prices (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    on_day date NOT NULL,
    price numeric(12, 2) NOT NULL CONSTRAINT asking_prices_price CHECK (price > 0),
    reason text,
    valuation_id bigint REFERENCES valuations,
    confirmed text[] NOT NULL DEFAULT '{}'
);
CREATE INDEX asking_prices_stock_no ON asking_prices (stock_no, id DESC);
COMMENT ON TABLE asking_prices IS 'Asking prices set by the firm; the last row of an engine is in force.';
COMMENT ON COLUMN asking_prices.confirmed IS 'Members with values outside the usual limits that were confirmed.';

CREATE TABLE owner_notifications (
    asking_price_id bigint PRIMARY KEY REFERENCES asking_prices,
    notified_on date NOT NULL,
    method text,
    notified_by text NOT NULL
);
COMMENT ON TABLE owner_notifications IS 'Price changes of engines on commission that their owners were notified of.';

CREATE TABLE as_it_stands_prices (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    on_day date NOT NULL,
    price numeric(12, 2) NOT NULL CONSTRAINT as_it_stands_prices_price CHECK (price >= 0),
    reason text NOT NULL
);
CREATE INDEX as_it_stands_prices_stock_no ON as_it_stands_prices (stock_no, on_day);
COMMENT ON TABLE as_it_stands_prices IS 'What engines would fetch unfinished, including tax; on a given day the latest one up to that day is used.';
COMMENT ON COLUMN as_it_stands_prices.reason IS 'How the price was arrived at.';

CREATE TABLE closing_stock (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    on_day date NOT NULL CONSTRAINT closing_stock_one_a_day UNIQUE,
    kept_on date NOT NULL,
    selling_cost numeric(12, 2) NOT NULL CONSTRAINT closing_stock_selling_cost CHECK (selling_cost >= 0),
    selling_share_percent numeric(5, 2),
    CONSTRAINT closing_stock_order CHECK (kept_on > on_day)
);
COMMENT ON TABLE closing_stock IS 'Recorded closing stocks, at most one a day; write-downs start from the last one.';
COMMENT ON COLUMN closing_stock.on_day IS 'The stock at the end of this day.';
COMMENT ON COLUMN closing_stock.selling_cost IS 'Cost of selling one engine.';
COMMENT ON COLUMN closing_stock.selling_share_percent IS 'Further cost of selling, in per cent of the price; NULL: none.';

CREATE TABLE closing_stock_lines (
    closing_stock_id bigint NOT NULL REFERENCES closing_stock,
    stock_no integer NOT NULL REFERENCES engines,
    purchase numeric(12, 2) NOT NULL,
    price numeric(12, 2),
    price_from text,
    cost_to_come numeric(12, 2) NOT NULL,
    cost numeric(12, 2) NOT NULL,
    net_realisable_value numeric(12, 2),
    carrying_amount_before numeric(12, 2) NOT NULL,
    write_down numeric(12, 2) NOT NULL,
    reversal numeric(12, 2) NOT NULL,
    carrying_amount numeric(12, 2) NOT NULL,
    as_it_stands_price numeric(12, 2),
    used text,
    net_realisable_value_as_it_stands numeric(12, 2),
    PRIMARY KEY (closing_stock_id, stock_no),
    CONSTRAINT closing_stock_lines_price CHECK ((price IS NULL) = (price_from IS NULL)),
    CONSTRAINT closing_stock_lines_carrying_amount CHECK (carrying_amount BETWEEN 0 AND cost),
    CONSTRAINT closing_stock_lines_change CHECK (carrying_amount = carrying_amount_before - write_down + reversal),
    CONSTRAINT closing_stock_lines_value CHECK ((price IS NULL AND as_it_stands_price IS NULL) = (net_realisable_value IS NULL))
);
CREATE INDEX closing_stock_lines_stock_no ON closing_stock_lines (stock_no);
COMMENT ON TABLE closing_stock_lines IS 'The engines of a closing stock.';
COMMENT ON COLUMN closing_stock_lines.price IS 'Expected price when finished; NULL: not known.';
COMMENT ON COLUMN closing_stock_lines.net_realisable_value IS 'NULL without a price.';
COMMENT ON COLUMN closing_stock_lines.as_it_stands_price IS 'Expected price unfinished; NULL: not recorded.';
COMMENT ON COLUMN closing_stock_lines.used IS 'Which of the two net realisable values was used: the better one; NULL without a price, and if only one was known.';
COMMENT ON COLUMN closing_stock_lines.net_realisable_value_as_it_stands IS 'Without the cost of finishing; NULL without a price as it stands.';

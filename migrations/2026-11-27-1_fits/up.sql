CREATE TABLE fits (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    on_day date NOT NULL,
    inputs_sha256 bytea NOT NULL,
    guide_version integer NOT NULL REFERENCES guides,
    n_sales integer NOT NULL,
    n_not_priced integer NOT NULL,
    sales jsonb NOT NULL,
    learned jsonb,
    outliers jsonb NOT NULL,
    CONSTRAINT fits_enough CHECK ((learned IS NULL) = (n_sales < 8))
);
COMMENT ON TABLE fits IS 'What was learned from achieved sales, each time they or the guide changed; kept for ever, as valuations rest on it.';
COMMENT ON COLUMN fits.inputs_sha256 IS 'Of the sales, the guide''s version, the features and the way of learning.';
COMMENT ON COLUMN fits.n_not_priced IS 'Sales left out, as the guide has no price for them.';
COMMENT ON COLUMN fits.sales IS 'What was learned from, by day and price: with it and the column learned the fit is made again.';
COMMENT ON COLUMN fits.learned IS 'Hyperparameters and what belongs to them; NULL: the sales had become too few.';

ALTER TABLE valuations ADD COLUMN fit_id bigint REFERENCES fits;
ALTER TABLE valuations ADD CONSTRAINT valuations_fit CHECK ((basis = 'sales') = (fit_id IS NOT NULL));
COMMENT ON COLUMN valuations.fit_id IS 'NULL: it rests on the guide alone.';

COMMENT ON COLUMN journal.key_id IS 'NULL: nobody acted.';

ALTER TABLE valuations ADD COLUMN made_at timestamptz NOT NULL DEFAULT clock_timestamp();
COMMENT ON COLUMN valuations.made_at IS 'Tells which came first, the valuation or the sale recorded.';

CREATE TABLE appraisals (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    on_day date NOT NULL,
    engine jsonb NOT NULL,
    basis text NOT NULL,
    guide_version integer NOT NULL REFERENCES guides,
    fit_id bigint REFERENCES fits,
    low numeric(12, 2) NOT NULL,
    likely numeric(12, 2) NOT NULL,
    high numeric(12, 2) NOT NULL,
    answer jsonb NOT NULL,
    CONSTRAINT appraisals_order CHECK (low <= likely AND likely <= high),
    CONSTRAINT appraisals_fit CHECK ((basis = 'sales') = (fit_id IS NOT NULL))
);
COMMENT ON TABLE appraisals IS 'What engines that are not the firm''s would fetch, kept for ever.';
COMMENT ON COLUMN appraisals.engine IS 'The description, as it was told.';
COMMENT ON COLUMN appraisals.fit_id IS 'NULL: it rests on the guide alone.';
COMMENT ON COLUMN appraisals.answer IS 'Steps, comparables and warnings as they were answered.';

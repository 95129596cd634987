-- Fits share the sales that they were learned from: with very many sales a copy for each fit would fill the disk.
CREATE TABLE sales_learned (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sha256 bytea NOT NULL CONSTRAINT sales_learned_once UNIQUE,
    sale jsonb NOT NULL
);
COMMENT ON TABLE sales_learned IS 'Sales as they were learned from, each form of one kept once and for ever.';
COMMENT ON COLUMN sales_learned.sha256 IS 'Of the column sale, as it was written.';

INSERT INTO sales_learned (sha256, sale)
SELECT DISTINCT sha256(convert_to(told.sale::text, 'UTF8')), told.sale
FROM fits, jsonb_array_elements(fits.sales) AS told (sale);

ALTER TABLE fits ADD COLUMN sale_ids bigint[];
UPDATE fits SET sale_ids = ARRAY(
    SELECT s.id
    FROM jsonb_array_elements(fits.sales) WITH ORDINALITY AS told (sale, place)
    JOIN sales_learned s ON s.sha256 = sha256(convert_to(told.sale::text, 'UTF8'))
    ORDER BY told.place
);
ALTER TABLE fits ALTER COLUMN sale_ids SET NOT NULL, DROP COLUMN sales;
COMMENT ON COLUMN fits.sale_ids IS 'What was learned from, by day and price: with it and the column learned the fit is made again.';

ALTER TABLE engines
    ADD COLUMN medals integer CONSTRAINT engines_medals CHECK (medals BETWEEN 0 AND 100),
    ADD COLUMN full_record boolean;
COMMENT ON COLUMN engines.medals IS 'Won at exhibitions.';
COMMENT ON COLUMN engines.full_record IS 'Whether drawings, bills and tests are on record from the beginning.';

CREATE TABLE job_grades (
    job_id bigint NOT NULL REFERENCES jobs,
    area text NOT NULL,
    grade text NOT NULL,
    PRIMARY KEY (job_id, area)
);
COMMENT ON TABLE job_grades IS 'The condition grades that a job is to bring about.';
ALTER TABLE jobs ADD COLUMN working_order_after text;
COMMENT ON COLUMN jobs.working_order_after IS 'The working order that the job is to bring about; NULL: it leaves it as it is.';
COMMENT ON COLUMN fits.inputs_sha256 IS 'Of the sales, the guide, the features and the way of learning.';

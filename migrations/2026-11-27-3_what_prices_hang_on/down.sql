COMMENT ON COLUMN fits.inputs_sha256 IS 'Of the sales, the guide''s version, the features and the way of learning.';
ALTER TABLE jobs DROP COLUMN working_order_after;
DROP TABLE job_grades;
ALTER TABLE engines DROP COLUMN medals, DROP COLUMN full_record;
ALTER TABLE fits ADD COLUMN sales jsonb;
UPDATE fits SET sales = coalesce((
    SELECT jsonb_agg(s.sale ORDER BY told.place)
    FROM unnest(fits.sale_ids) WITH ORDINALITY AS told (id, place)
    JOIN sales_learned s USING (id)
), '[]');
ALTER TABLE fits ALTER COLUMN sales SET NOT NULL, DROP COLUMN sale_ids;
COMMENT ON COLUMN fits.sales IS 'What was learned from, by day and price: with it and the column learned the fit is made again.';
DROP TABLE sales_learned;

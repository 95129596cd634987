CREATE TABLE sales_invoices (
    one boolean PRIMARY KEY DEFAULT true CONSTRAINT sales_invoices_one CHECK (one),
    last_no integer NOT NULL CONSTRAINT sales_invoices_last_no CHECK (last_no >= 0)
);
INSERT INTO sales_invoices (last_no) SELECT count(*) FROM sales;
COMMENT ON TABLE sales_invoices IS 'How far the firm''s sales invoices are numbered: one row, held by each sale until it is stored, so that no number is left out.';

ALTER TABLE sales ADD COLUMN invoice_no integer CONSTRAINT sales_invoice_no UNIQUE CONSTRAINT sales_invoice_no_from_1 CHECK (invoice_no > 0);
UPDATE sales SET invoice_no = numbered.nth
FROM (SELECT id, row_number() OVER (ORDER BY id) AS nth FROM sales) numbered
WHERE numbered.id = sales.id;
ALTER TABLE sales ALTER COLUMN invoice_no SET NOT NULL;
COMMENT ON COLUMN sales.invoice_no IS 'Of the firm''s own invoice for the sale, in sequence without gaps.';

CREATE INDEX journal_stock_no ON journal (stock_no, type) WHERE stock_no IS NOT NULL;
CREATE INDEX acquisitions_on_day ON acquisitions (on_day, id);

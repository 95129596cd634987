DROP INDEX acquisitions_on_day;
DROP INDEX journal_stock_no;
ALTER TABLE sales DROP COLUMN invoice_no;
DROP TABLE sales_invoices;

DROP INDEX journal_stock_values;
DROP INDEX job_parts_on_day;
DROP INDEX job_hours_on_day;
DROP INDEX costs_on_day;
DROP INDEX payments_on_day;
DROP INDEX sales_on_day;
DROP TABLE accounts;

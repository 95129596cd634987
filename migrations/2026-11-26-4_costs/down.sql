DROP TABLE tax_periods;
DROP TABLE hour_rates;
DROP TABLE costs;

DROP VIEW stock;
DROP TABLE preparation_ticks, deliveries, payments, sales, listings;

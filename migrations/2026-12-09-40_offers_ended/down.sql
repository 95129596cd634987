ALTER TABLE offers DROP COLUMN ended_by_sale_id;

ALTER TABLE surveys DROP COLUMN asbestos;

DROP TABLE prints, handover_notes;
ALTER TABLE firm DROP COLUMN paper_size;

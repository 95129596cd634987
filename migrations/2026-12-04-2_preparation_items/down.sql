ALTER TABLE preparation_ticks DROP CONSTRAINT preparation_ticks_item;
DELETE FROM preparation_ticks WHERE item NOT IN ('drained', 'lifting_plan', 'spares_packed', 'papers_packed', 'drawings_packed');
DROP TABLE preparation_items;

DROP TRIGGER journal_heard ON journal;
DROP FUNCTION journal_is_heard;
ALTER TABLE journal DROP COLUMN transaction_no;
ALTER TABLE firm DROP COLUMN feed_id;

ALTER TABLE persons ADD COLUMN erased_on date;
COMMENT ON COLUMN persons.erased_on IS 'Day of the erasure: name and address are then those that the law wants beside a sale or a purchase, else the name is a placeholder; NULL: not erased.';

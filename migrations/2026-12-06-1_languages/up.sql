ALTER TABLE firm ADD languages text[] NOT NULL DEFAULT '{en}'
    CHECK (cardinality(languages) BETWEEN 1 AND 10 AND array_position(languages, NULL) IS NULL);
COMMENT ON COLUMN firm.languages IS 'BCP 47; titles and words are written in the first.';

ALTER TABLE listings ADD translations jsonb NOT NULL DEFAULT '[]' CHECK (jsonb_typeof(translations) = 'array');
COMMENT ON COLUMN listings.translations IS 'Title and words in other languages of the firm: [{language, title, words}].';

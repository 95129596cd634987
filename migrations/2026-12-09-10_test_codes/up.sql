-- The boiler code under which a test was made, the size of a gas tank, and codes that accept the tests of another.
ALTER TABLE tests ADD COLUMN jurisdiction text;
UPDATE tests SET jurisdiction = (SELECT jurisdiction FROM firm);
ALTER TABLE tests ALTER COLUMN jurisdiction SET NOT NULL;
COMMENT ON COLUMN tests.jurisdiction IS 'The place under whose boiler code the test was made.';

ALTER TABLE boilers ADD COLUMN gas_tank_volume text;
COMMENT ON COLUMN boilers.gas_tank_volume IS 'The whole inside of the gas tank that is tested with the boiler; NULL: not recorded, or no tank.';

ALTER TABLE boiler_code_rules ADD COLUMN accepts text;
ALTER TABLE boiler_code_rules ADD CONSTRAINT boiler_code_rules_accepts CHECK ((rule = 'accepts_tests_of') = (accepts IS NOT NULL));
COMMENT ON COLUMN boiler_code_rules.accepts IS 'The place whose tests count too, in a row accepts_tests_of; else NULL.';

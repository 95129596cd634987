ALTER TABLE jobs DROP COLUMN expected_on;
DROP TABLE promises;

DROP TABLE back_tests;

DROP TABLE enquiries;

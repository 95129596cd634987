DROP TABLE offer_answers;
DROP TABLE offers;

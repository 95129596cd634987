DROP TABLE asking_prices, valuations, comparables, guides;

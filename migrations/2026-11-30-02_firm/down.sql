DROP TABLE prints, hour_rates, accounts, exchange_rates, tax_periods, statutory_periods, tax_rules, boiler_code_rules, boiler_codes, persons, firm;

-- What each phase of a cycle cost, by the tariff that costed the cycle; the currency is the cycle's. Decimal text.
ALTER TABLE phase ADD COLUMN cost TEXT;

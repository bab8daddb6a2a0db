"""One cell or heading to what it means: numbers, dates, codes, names, doubts."""

"""The grammar of UCUM codes, and the committed list of the units there are."""

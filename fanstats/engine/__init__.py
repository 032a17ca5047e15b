"""From readings, bench and question to values, draws, first order: one ledger for all."""

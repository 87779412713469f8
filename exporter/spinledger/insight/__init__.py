"""Pure folds over ledger entries: each counter, ratio and finding is one fold."""

"""The transition table, one disk's account, and the folds that every ledger has."""

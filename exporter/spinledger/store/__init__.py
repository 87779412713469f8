"""The ledger file and its live journal: one writer, one transaction a commit.

`ledger` is the store itself, `memory` the one that keeps nothing, `books` reads, `telling` writes
what was read as CSV, JSON or OpenMetrics. Below them: `sheets` (what a row holds), `table` (the
file), `work` (what the thread does), `live` (the journal), `verdict` (whether anything was lost),
`beside` (the lock and the mark).
"""

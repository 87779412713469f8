"""The ledger: an SQLite file that anybody may read, and a live journal beside it.

`ledger` has the two stores, `history` reads, `export` writes what was read as CSV, JSON or
OpenMetrics. Below them: `schema` (tables and views), `days` (a day's rows in memory), `file` (the
file, its checksums and checks), `access` (whose file it is), `salvage` (what is whole in a damaged
one), `writer` (what the thread does), `live` (the journal), `beside` (the lock, the mark, and
whether anything was lost).
"""

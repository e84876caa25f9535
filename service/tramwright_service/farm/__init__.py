"""The stored farm: machines, surveys, moves and notes in SQLite or PostgreSQL. Loaded only where there is a store."""

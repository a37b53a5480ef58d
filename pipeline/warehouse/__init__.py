"""Load, publish, query and share the warehouse; keep its versions, lock and run log."""

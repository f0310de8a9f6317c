"""The proofs of `check_catalogue`, one subject a module; each yields the faults it finds."""

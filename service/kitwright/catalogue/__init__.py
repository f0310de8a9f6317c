"""What a shop knows: engines, machines, jobs, parts, suppliers, tax areas, its own policy."""

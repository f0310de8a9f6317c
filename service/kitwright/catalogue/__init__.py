"""What the shop knows: engines, machines, jobs, parts, suppliers, tax areas and its own policy, as plain records."""

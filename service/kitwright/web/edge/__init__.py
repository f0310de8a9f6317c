"""Edge: what every call passes on its way in and out: limits, keys, forms, conditions, problems."""

"""Edge: checks and formats that apply to every call: limits, keys, media types, conditions,
problems.
"""

"""The REST service: the edge that every call passes, the calls by resource, their description."""

"""The REST service: requests and answers on the wire, problem documents, one module a resource."""

"""Description: describes the API, as OpenAPI for programs and as a page for people."""

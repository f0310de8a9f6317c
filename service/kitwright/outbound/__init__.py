"""Outbound: posts signed events to the shop's webhooks, and sends e-mails, with retries."""

"""The trade: what is prescribed, what was done, what is due, what is unsafe. Pure."""

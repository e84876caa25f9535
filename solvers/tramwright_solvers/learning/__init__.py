"""Responses of the adjusters, estimated from earlier passes and used for the next moves."""

"""The wire types, written once for both sides.

All of them are open: a client ignores members of an answer that it does not know. The service alone is strict, and
derives its closed twins from these.
"""

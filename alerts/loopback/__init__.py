"""Stand-ins for the outside world on this machine: a text gateway and a mail server.

Both are real servers on 127.0.0.1, so the demo and the tests use the real transports.
"""

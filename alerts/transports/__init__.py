"""Ways to reach a person: a text gateway over REST, a mail server, or the console.

`base` holds what the rest of the program may know; `registry` lists the transports.
"""

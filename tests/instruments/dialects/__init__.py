"""Small servers that speak the dialects of real instruments, each written from its manual.

One module per family. Nothing here imports `seqrun`: the servers are the drivers' counterparts, and
a command that the manual does not have is answered as the manual says, with an error or with
silence. Where a manual's text could not be read, the module says so.
"""

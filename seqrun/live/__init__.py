"""The bench page: the events and questions of a run in a browser, and finished records to read.

A page is one more watcher and one more keyboard. Nothing of a run waits for it: whoever watches
takes the latest :class:`~seqrun.live.board.Board` that there is, at the pace of its own line.
"""

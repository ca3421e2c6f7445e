"""One door for job files: plain, gzip, binary, packed plate. Told by content, never by name.

Each kind gives the text of its job to the readers, and takes edits of that text back into a
file of the same kind. What file is read how: docs/howto/hosts.md#what-file-what-happens
"""

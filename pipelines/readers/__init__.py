"""Readers: the formats that people download, into the frames and arrays that the library takes."""

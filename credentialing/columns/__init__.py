"""The standing of many people at once, in columns of whole numbers.

`frame` and `runs` and `judging` are pure numpy; `reading` fills a frame from either engine.
The definitions are those of `credentialing.measures`; whatever is not known here goes there.
"""

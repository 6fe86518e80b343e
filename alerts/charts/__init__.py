"""Pictures of outlooks and results, and the same in words.

The modules here hold what a picture shows; those named ``..._drawing`` and ``canvas`` draw it with
matplotlib and are loaded with the first picture, since that takes half a second.
"""

"""What is shown: the one picture, its live window, and a strip for the terminal.

``bench_picture``
    The one drawing, on any matplotlib figure, and the file it is saved to.
``live``
    The same drawing in a window, kept up with the pings.
``terminal``
    The same pings as text.
``ink``, ``scales``
    What the drawing is made of: the strength map, and numbers to places.

The view knows profiles and echoes, never devices or files of samples. It does not
print; the command does.
"""

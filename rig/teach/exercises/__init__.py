"""Reading exercises: unseen pictures, what to read off them, and the key to the answers.

A question's scene is drawn from a seed, sounded in the virtual tank, and put to the
project's own measuring code. It is asked only if that code, which knows nothing of the
scene, gives the answer that the scene holds; else another is drawn. Where the right
answer is that it cannot be told, a scene with another truth is sounded too and must
leave the same marks.
"""

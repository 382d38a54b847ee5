"""Boards that print one number on a line."""
from rig.plan import Plan
from rig.front_ends.base import FrontEnd
def open_plain_numbers(plan: Plan) -> FrontEnd:
    raise NotImplementedError

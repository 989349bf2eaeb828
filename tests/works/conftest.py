from works_room import hop_cone, plain_room

__all__ = ["hop_cone", "plain_room"]

"""What do the pings heard until now say, is it enough to commit to a station, and where to listen next?"""

from acoustics.study.live.evidence import Commit, CommitRule
from acoustics.study.live.next_waypoint import NextWaypoint, NextWaypoints
from acoustics.study.live.running import LiveAnswer, LiveRun

__all__ = ["Commit", "CommitRule", "LiveAnswer", "LiveRun", "NextWaypoint", "NextWaypoints"]

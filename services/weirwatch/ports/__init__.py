"""What the pipeline needs of the outside, and what each implementation promises.

Every implementation of a port runs the same contract test.
"""

from weirwatch.domain.operator import Command as Command
from weirwatch.ports.between import Core as Core
from weirwatch.ports.between import LogKeeper as LogKeeper
from weirwatch.ports.between import Notifier as Notifier
from weirwatch.ports.between import Publish as Publish
from weirwatch.ports.between import SignOfLife as SignOfLife
from weirwatch.ports.between import SignsOfLife as SignsOfLife
from weirwatch.ports.history import Archive as Archive
from weirwatch.ports.history import Bucket as Bucket
from weirwatch.ports.history import StoredEvent as StoredEvent
from weirwatch.ports.record import Group as Group
from weirwatch.ports.record import Journal as Journal
from weirwatch.ports.record import Newest as Newest
from weirwatch.ports.record import Notice as Notice
from weirwatch.ports.record import OutboxStore as OutboxStore
from weirwatch.ports.record import Restored as Restored
from weirwatch.ports.timing import Clock as Clock
from weirwatch.ports.wire import BrokerFacts as BrokerFacts
from weirwatch.ports.wire import Decoded as Decoded
from weirwatch.ports.wire import Decoder as Decoder
from weirwatch.ports.wire import NodeState as NodeState
from weirwatch.ports.wire import Quarantined as Quarantined
from weirwatch.ports.wire import Transport as Transport
from weirwatch.ports.wire import WireMessage as WireMessage

"""What changes while the daemon runs: the configuration, whole or not at all, and the keyholders.

In: the files, or a choice among the keyholders. Out: guard, tracker, watcher and admissions
as they want them. One change comes after the other.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable

from attrs import define, field

from portress.admissions import Admission
from portress.clock import step_at
from portress.config import load as configuration
from portress.config.model import Config
from portress.durations import counted
from portress.errors import Mistake
from portress.events import Events
from portress.guard import decide
from portress.guard.able import settled
from portress.guard.continuing import Session
from portress.guard.ruleset import Ruleset, build
from portress.guard.table import GuardError, Held, Table
from portress.keyholders import file as keyholding
from portress.keyholders.keyholder import Keyholder
from portress.keyholders.place import together
from portress.mirror import Mirror
from portress.paths import Paths
from portress.run import ending
from portress.run.deciding import Plan
from portress.run.doorkeeper import Doorkeeper
from portress.run.ears import Hearing
from portress.run.follower import MirrorListener
from portress.run.gc_tuning import many_that_stay
from portress.run.in_force import InForce
from portress.run.last_good import LastGood
from portress.run.metrics_server import MetricsServer
from portress.run.recounting import Recounting
from portress.run.recovery import Recovery
from portress.run.sentinel import Sentinel
from portress.run.slices import let_go, until_done
from portress.run.steps import Steps
from portress.run.trackers import Trackers
from portress.sequence.in_force import SequencesInForce
from portress.sequence.trie import Trie

Keyholders = tuple[Keyholder, ...]


@define(eq=False)
class Reloading:
    """Reloading what is `in_force`, with all that depends on it. `unix` gives unix seconds."""

    paths: Paths
    events: Events
    unix: Callable[[], float]
    in_force: InForce
    table: Table
    doorkeeper: Doorkeeper
    sentinel: Sentinel
    listener: MirrorListener
    steps: Steps
    trackers: Trackers
    ears: Hearing
    metrics_server: MetricsServer
    last_good: LastGood
    recovery: Recovery
    reloads: dict[str, int] = field(factory=lambda: {"done": 0, "refused": 0}, init=False)
    _changing: asyncio.Lock = field(factory=asyncio.Lock, init=False)

    def load_keyholders(self, config: Config) -> Keyholders:
        """The keyholders in the file or credential. Raises Mistake."""
        fellows = self.in_force.fellows
        mine = len(self.in_force.sequences.keyholders) > len(fellows)
        some = mine or self.last_good.no_keyholders
        return together(
            keyholding.load(keyholding.locate(self.paths.config), config.doors, some=some), fellows
        )

    async def take_fellows(self, fellows: Keyholders) -> None:
        """Expect the sequences of the fleet's keyholders, as they are now. Raises GuardError."""
        before = {one.name for one in self.in_force.fellows}
        if fellows == self.in_force.fellows:
            return
        self.in_force.fellows = fellows

        def choose(known: Keyholders) -> Keyholders:
            return together(tuple(one for one in known if one.name not in before), fellows)

        await self.take_keyholders(choose)

    async def reload(self) -> None:
        """Take the configuration and the keyholders anew, whole or not at all.

        Raises Mistake, which is told and counted: the one way of reloading, whoever asks for it.
        """
        try:
            async with self._changing:
                config, keyholders = await asyncio.to_thread(self._read)
                await let_go(await self._take(config, keyholders), ending.AT_ONCE)
                self.last_good.taken(config)
        except Mistake as mistake:
            self.reloads["refused"] += 1
            for line in (*mistake.lines, "not reloaded: the previous configuration stays in force"):
                self.events.tell("refused", line)
            raise
        self.reloads["done"] += 1
        for line in config.warnings:
            self.events.tell("warning", line)
        self.events.tell("reloaded", f"reloaded {self.paths.config}: {counted(len(config.doors), 'door')}")

    def _read(self) -> tuple[Config, Keyholders]:
        """What the files say now: a thousand keyholders take a while to read. Raises Mistake."""
        config = settled(configuration.load(self.paths.config, here=True))
        if config.fleet != self.in_force.config.fleet:
            raise Mistake("fleet: another fleet takes a restart: systemctl restart portress")
        return config, self.load_keyholders(config)

    async def go_back(self, config: Config, keyholders: Keyholders) -> None:
        """A trial has ended and nobody kept it: what was in force before it is so again."""
        await let_go(await self._take(config, keyholders), ending.AT_ONCE)
        self.sentinel.trial_ended()
        text = "trial over, not kept: back to the previous configuration"
        self.events.tell("reloaded", text)

    async def take_keyholders(self, choose: Callable[[Keyholders], Keyholders]) -> list[Admission]:
        """Expect the sequences of those that `choose` makes of the present keyholders, in a thread, from now
        on. Returns the admissions of others, which end. Raises what `choose` does, and GuardError.
        """
        async with self._changing:
            config = self.in_force.config
            unknown = self.last_good.no_keyholders
            load, known = self.load_keyholders, self.in_force.sequences.keyholders
            chosen = await asyncio.to_thread(lambda: choose(load(config) if unknown else known))
            sequences = SequencesInForce(config, chosen, self.recovery.era)
            self._know_again()
            if self.sentinel.guarding:
                try:
                    await self.steps.change(sequences)
                except GuardError:
                    await self.sentinel.put_back_first()
                    await self.steps.change(sequences)
                ended = await ending.keep_only(self.doorkeeper, sequences.keys)
            else:
                ended = await self._take(config, sequences.keyholders)
        self.recovery.tell_void(sequences)
        self.events.tell("keyholders", f"{counted(len(sequences.keyholders), 'keyholder')} now")
        return ended

    async def look_for_paper(self) -> None:
        """Have paper in force whose uses could not be recorded before, and can be now."""
        if await self.recovery.paper_again(self.in_force.tracker.used):
            await self.take_keyholders(lambda known: known)

    def _know_again(self) -> None:
        """Keyholders that could not be read at the start are known from now on."""
        if self.last_good.no_keyholders:
            self.last_good.no_keyholders = False
            self.last_good.mark()

    async def _take(self, config: Config, keyholders: Keyholders) -> list[Admission]:
        async with self.steps.busy:
            return await self._take_whole(config, keyholders)

    async def _take_whole(self, config: Config, keyholders: Keyholders) -> list[Admission]:
        now = self.in_force
        old, sequences, step = (
            now.config,
            SequencesInForce(config, keyholders, self.recovery.era),
            step_at(self.unix()),
        )
        trie, plan = await asyncio.get_running_loop().run_in_executor(None, self._made, sequences, step)
        going_on = await self.sentinel.newly_guarded(old, config)
        recounting = Recounting(self.doorkeeper)
        async with now.turn:
            with contextlib.ExitStack() as undo:
                if plan is not None and now.plan is not None and self.sentinel.guarding:
                    undo.callback(self._settle, now.plan)
                    self.table.maps.aim(plan.contents)
                    await until_done(self.table.maps.clear_part, now.loading)
                if config.ears != old.ears:
                    self.listener.listen()
                    self.ears.change(self.listener, config, old)
                    undo.callback(self.ears.change, self.listener, old, old)
                if config.metrics != old.metrics:
                    undo.callback(self.metrics_server.publish_if_possible, old.metrics)
                    self.metrics_server.publish(config.metrics)
                contents = None if plan is None else plan.contents
                wanted = build(config, trie.opening, contents, now.answers, self.unix())
                await self._load(config, wanted, going_on, recounting)
                undo.pop_all()
            self._have_in_force(config, sequences, trie, plan, recounting)
            self.steps.adopt(sequences, step)
        await recounting.finish()
        gone = await ending.keep_only(self.doorkeeper, sequences.keys)
        with contextlib.suppress(GuardError):  # whoever changed the guard meanwhile is dealt with elsewhere
            await self.steps.withdraw_since(plan)
            await until_done(self.table.maps.fill_part, now.loading)
        return gone

    async def _load(
        self, config: Config, wanted: Ruleset, going_on: list[Session], recounting: Recounting
    ) -> None:
        """Load a guard in a thread: for the kernel that may be much work. What is reported meanwhile, and
        until the register is counted by that guard, waits. Raises GuardError.
        """
        self.listener.listen()
        async with self.in_force.loading:
            with self.ears.paused():
                ended: list[Held] = []
                if self.sentinel.guarding:
                    ended = await asyncio.to_thread(self.table.load, wanted, (), going_on, in_parts=True)
                    if not self.sentinel.guarding:  # it was removed by hand meanwhile
                        self.table.remove()
                await recounting.begin(config, ended)

    def _have_in_force(
        self,
        config: Config,
        sequences: SequencesInForce,
        trie: Trie,
        plan: Plan | None,
        recounting: Recounting,
    ) -> None:
        """The guard is another one: so is all that goes by it."""
        now = self.in_force
        old, gone = now.config, (now.tracker.trie, now.plan)
        now.config, now.plan, now.sequences = config, plan, sequences
        self._know_again()
        self.last_good.keep(config)
        recounting.adopt()
        if config.widths == old.widths and config.decide == old.decide:
            now.tracker.limit, now.tracker.misses = decide.followed(config), config.misses
            now.tracker.replace(trie)
        else:  # sources are not what they were
            now.tracker = self.trackers.make(config, trie, now.tracker.used, now.tracker.floor)
        now.tracker.floor = self.recovery.floor(config)
        if isinstance(now.tracker, Mirror):  # some reports were heard by nobody, or of another guard
            now.tracker.astray = True
        self.steps.let_go(*gone)
        self.sentinel.replaced()
        self.sentinel.look()
        self.sentinel.remember_flows()

    def _made(self, sequences: SequencesInForce, step: int) -> tuple[Trie, Plan | None]:
        with many_that_stay():
            trie = sequences.trie(step)
            if sequences.config.decide == "daemon":
                return trie, None
            used, floor = dict(self.in_force.tracker.used), self.recovery.floor(sequences.config)
            return trie, self.steps.deciding.plan_for(sequences, trie, used, floor)

    def _settle(self, plan: Plan) -> None:
        """The maps of the guard hold what they held before."""
        with contextlib.suppress(GuardError):
            self.table.maps.settle(plan.contents)

"""Which protection guards against which fault, and how it is taken out.

Comes in: nothing. Goes out: rows for ``protection_removed.py``: fault, protection, edits of
source files (file, text, what it becomes), tests that must fail then.
"""

from __future__ import annotations

from dataclasses import dataclass

Edit = tuple[str, str, str]

WRITER = "logger/logbook/writer.py"
CONNECT = "logger/logbook/connect.py"
PLACING = "logger/placing.py"
PIPELINE = "logger/pipeline.py"
RECORDER = "logger/recorder.py"
DURABILITY = "tests/durability"
CAPTURE = "tests/capture"
OPENING = "tests/logger/logbook/test_opening.py"
KILLED = f"{DURABILITY}/test_killed_at_every_call.py"
CUT = f"{DURABILITY}/test_power_cut.py"
FAILING = f"{DURABILITY}/test_failing_disk.py"
LOSSES = f"{CAPTURE}/test_losses.py"
PRESSURE = f"{CAPTURE}/test_backpressure.py"


@dataclass(frozen=True, slots=True)
class Removal:
    """A fault, its protection, the edits that take it out, the tests that must notice."""

    fault: str
    protection: str
    edits: tuple[Edit, ...]
    tests: tuple[str, ...]


LATE_COMMIT: tuple[Edit, ...] = (
    (
        WRITER,
        '            self._connection.execute("BEGIN IMMEDIATE")\n            for item in items:',
        (
            "            if self._connection.in_transaction:\n"
            '                self._connection.execute("COMMIT")\n'
            '            self._connection.execute("BEGIN IMMEDIATE")\n            for item in items:'
        ),
    ),
    (
        WRITER,
        '            batch.flush_all()\n            self._connection.execute("COMMIT")\n',
        "            batch.flush_all()\n",
    ),
    (
        WRITER,
        '        execute("BEGIN IMMEDIATE")\n        execute(\n',
        (
            '        if not self._connection.in_transaction:\n            execute("BEGIN IMMEDIATE")\n'
            "        execute(\n"
        ),
    ),
    (
        WRITER,
        "        if self._clock.boot_ns() - self._checkpointed_ns < CHECKPOINT_S * 1e9:\n",
        "        if True:\n",
    ),
)
DRAFT_IN_PLACE: tuple[Edit, ...] = (
    (CONNECT, 'draft = path.with_name(f"{path.name}.new-{os.getpid()}")', "draft = path"),
    (CONNECT, "        give_name(draft, path)\n    except", "    except"),
    (CONNECT, "    finally:\n        remove_draft(draft)\n", "    finally:\n        pass\n"),
)

REMOVALS: tuple[Removal, ...] = (
    Removal(
        "kill -9 at every numbered call", "acknowledged only after COMMIT", LATE_COMMIT,
        (f"{KILLED}::test_kill_9_at_every_numbered_call[17-never]",),
    ),
    Removal(
        "kill -9 at every numbered call", "a new logbook is built beside its name", DRAFT_IN_PLACE,
        (f"{KILLED}::test_kill_9_at_every_numbered_call[1-never]",),
    ),
    Removal(
        "kill -9 at random moments", "acknowledged only after COMMIT", LATE_COMMIT,
        (f"{DURABILITY}/test_killed.py::test_killed_at_a_few_random_moments",
         f"{CAPTURE}/test_durability_of_recording.py::test_kill_9_loses_nothing_that_was_acknowledged[2]"),
    ),
    Removal(
        "power cut", "every commit of a recording is synced",
        ((CONNECT, '"PRAGMA synchronous = EXTRA"', '"PRAGMA synchronous = NORMAL"'),),
        (f"{CUT}::test_a_power_cut_loses_nothing_that_was_acknowledged[100-8]",),
    ),
    Removal(
        "power cut after a short write", "the folder is synced once the journal is gone",
        ((CONNECT, '"PRAGMA synchronous = EXTRA"', '"PRAGMA synchronous = FULL"'),),
        (f"{CUT}::test_a_power_cut_right_after_a_short_write_keeps_it",),
    ),
    Removal(
        "full disk", "a half-made logbook is removed",
        ((CONNECT, "    finally:\n        remove_draft(draft)\n", "    finally:\n        pass\n"),),
        (f"{FAILING}::test_a_disk_without_room_for_a_new_logbook_leaves_none",),
    ),
    Removal(
        "full disk, write error, failing sync", "the first failure is passed on",
        ((WRITER, "            raise self._fail(error) from error\n        except BaseException as error:",
          "            self._fail(error)\n        except BaseException as error:"),
         (WRITER, "        if self._failure is not None:\n            raise self._failure\n        if self._closed",
          "        if self._closed")),
        (f"{FAILING}::test_a_disk_that_fills_up",
         f"{FAILING}::test_a_failed_write_or_sync_ends_the_recording_and_is_never_tried_again"),
    ),
    Removal(
        "write error, failing sync", "closing after a failure does not sync again",
        ((WRITER, "                self._leave()\n", "                pass\n"),),
        (f"{FAILING}::test_a_failed_write_or_sync_ends_the_recording_and_is_never_tried_again",),
    ),
    Removal(
        "failing sync", "what was acknowledged is read back",
        (("logger/commands/record.py",
          "        _say_lines(read_back(logbook, session.acknowledged))\n", ""),),
        (f"{PRESSURE}::test_a_sync_that_fails_under_record_is_told_and_read_back",),
    ),
    Removal(
        "short write", "SQLite writes on (here each short write is told as a whole one)",
        ((f"{DURABILITY}/fault_shim.c", "    return done;\n}\n\nssize_t write(",
          "    return done > 0 && answer == 1 ? (ssize_t)n : done;\n}\n\nssize_t write("),),
        (f"{FAILING}::test_short_writes_are_finished",),
    ),
    Removal(
        "slow sync", "every commit of a recording is synced",
        ((CONNECT, '"PRAGMA synchronous = EXTRA"', '"PRAGMA synchronous = OFF"'),),
        (f"{FAILING}::test_a_slow_sync_is_waited_for",),
    ),
    Removal(
        "reader of --acks that does not read", "acknowledgements are printed on a thread of their own",
        (("logger/commands/acknowledged.py", "            self._changed.notify()\n\n    def __exit__",
          '            self._changed.notify()\n        os.write(STDOUT, b"ack\\n")\n\n    def __exit__'),),
        ("tests/commands/test_record.py::test_acknowledgements_that_nobody_reads_hold_up_nothing",),
    ),
    Removal(
        "file-size limit", "the recorder's failure stops the session loudly",
        ((RECORDER, "                self._failure = error\n", ""),
         (RECORDER, "            if self._on_end is not None:\n                self._on_end()", "            pass")),
        (f"{CAPTURE}/test_durability_of_recording.py::test_a_file_that_may_not_grow_ends_the_recording_loudly",),
    ),
    Removal(
        "disk that stalls 5 s", "room for a minute of each link",
        ((PIPELINE, "ROOM_S: Final = 60", "ROOM_S: Final = 0.2"),
         (PIPELINE, "    return ROOM_S * LINK_BYTES_PER_S * n_links",
          "    return int(ROOM_S * LINK_BYTES_PER_S * n_links)"),
         (RECORDER, "ROOM_BYTES: Final = 32 * 1024 * 1024", "ROOM_BYTES: Final = 20_000")),
        (f"{PRESSURE}::test_a_stall_of_five_seconds_within_the_room_loses_nothing",),
    ),
    Removal(
        "disk that stalls for longer", "the queue in front of the pipeline is bounded",
        ((PIPELINE, "if event.data and self._bytes + size > self._room_bytes:", "if False:"),),
        (f"{PRESSURE}::test_a_stall_beyond_the_room_drops_and_counts",),
    ),
    Removal(
        "disk that stalls for longer", "the recorder's queue is bounded",
        ((RECORDER, "while self._waiting_bytes > self._room_bytes and", "while False and"),),
        (f"{PRESSURE}::test_a_stall_beyond_the_room_drops_and_counts",),
    ),
    Removal(
        "disk that stalls for longer", "a port's reader never waits for room",
        (("logger/session.py", "patient=not link.answers", "patient=True"),),
        (f"{PRESSURE}::test_a_stall_beyond_the_room_drops_and_counts",),
    ),
    Removal(
        "port pulled", "the reader opens the port again",
        (("logger/transports/serial_port.py", "            if self._reopen():\n", "            if False:\n"),),
        (f"{LOSSES}::test_a_port_that_is_pulled_and_put_back_leaves_a_gap_and_goes_on",),
    ),
    Removal(
        "damaged frames", "CRC-32 of every frame",
        (("logger/decoders/binary_frame.py", "    if zlib.crc32(raw) != _RESIDUE:", "    if False:"),),
        (f"{LOSSES}::test_one_percent_of_damaged_bytes_brings_no_wrong_sample",),
    ),
    Removal(
        "doubled frames", "a frame that was seen is not used again",
        ((PLACING, "        if (frame.index16, frame.tick_us) in self._recent:", "        if False:"),),
        (f"{LOSSES}::test_frames_that_come_twice_are_kept_once",),
    ),
    Removal(
        "dropped frames", "missing samples are a gap row",
        (("logger/cell_line.py",
          "        self._note_gap(stream, placed.first_index - missing, missing, int(run.received_ns[0]))\n", ""),),
        (f"{LOSSES}::test_frames_that_come_twice_are_kept_once",
         f"{LOSSES}::test_a_reader_that_sleeps_finds_exactly_the_overrun_of_the_device"),
    ),
    Removal(
        "frames in another order", "a frame that does not go forward is looked at twice",
        ((PLACING, "        if steps < last.n or step_us <= 0:\n", "        if False:\n"),),
        (f"{CAPTURE}/test_disordered.py::test_frames_that_change_places_bring_no_wrong_sample",),
    ),
    Removal(
        "device reset", "another boot id begins another stream",
        (("logger/cell_line.py", "        if was != now:\n", "        if False:\n"),),
        ("tests/logger/test_pipeline.py::test_another_boot_id_begins_a_new_stream",),
    ),
    Removal(
        "two recorders", "the lock of the recorder",
        (("logger/logbook/lock.py", "        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)\n", "        pass\n"),),
        (f"{DURABILITY}/test_together.py::test_the_second_recorder_is_refused_until_the_first_is_dead",
         f"{CAPTURE}/test_disordered.py::test_a_second_recorder_is_sent_away_and_the_first_goes_on"),
    ),
    Removal(
        "reader that holds on", "write-ahead log while recording",
        ((WRITER, '("journal_mode = WAL", ', '("journal_mode = DELETE", '),),
        (f"{DURABILITY}/test_together.py::test_a_reader_that_holds_on_does_not_stall_the_recording",),
    ),
    Removal(
        "read-only file", "told by a change that changes nothing, before the first record",
        ((CONNECT,
          '        connection.execute("BEGIN IMMEDIATE")\n        # A change', "        # A change"),
         (CONNECT,
          ('        connection.execute(f"PRAGMA user_version = {migrations.version_of(connection)}")\n'
          '        connection.execute("ROLLBACK")\n'), "")),
        (f"{OPENING}::test_a_read_only_logbook_can_be_read_and_nothing_else",),
    ),
    Removal(
        "unwritable folder", "the failed lock file is a typed error",
        (("logger/logbook/lock.py",
          ("        except OSError as error:\n            raise LogbookWriteError(\n"
          '                f"{self.path}: cannot make the lock file'),
          ("        except ZeroDivisionError as error:\n            raise LogbookWriteError(\n"
          '                f"{self.path}: cannot make the lock file')),),
        (f"{OPENING}::test_a_folder_that_may_not_be_written_to",),
    ),
    Removal(
        "foreign file", "the file's own bytes say whose it is",
        ((CONNECT, '    if int.from_bytes(head[68:72], "big") != APPLICATION_ID:', "    if False:"),),
        (f"{OPENING}::test_another_programs_database_is_left_alone",
         f"{CAPTURE}/test_disordered.py::test_record_leaves_alone_what_is_no_logbook_of_its_own"),
    ),
    Removal(
        "damaged file", "what SQLite says of damage is a typed error",
        ((CONNECT, "FAILURES: Final = (sqlite3.Error, UnicodeDecodeError)", "FAILURES: Final = ()"),),
        (f"{OPENING}::test_damage_behind_the_header_is_told",),
    ),
    Removal(
        "newer file", "the number of the format is compared",
        ((CONNECT, "    if found > migrations.NEWEST:\n", "    if False:\n"),
         ("logger/logbook/migrations.py", "    if found > newest:\n", "    if False:\n")),
        (f"{OPENING}::test_a_newer_file_asks_for_a_newer_program",
         f"{CAPTURE}/test_disordered.py::test_record_leaves_alone_what_is_no_logbook_of_its_own"),
    ),
    Removal(
        "older version", "a step of the format is one transaction",
        (("logger/logbook/migrations.py", '            connection.execute("ROLLBACK")\n        raise',
          '            connection.execute("COMMIT")\n        raise'),),
        (f"{OPENING}::test_a_step_that_fails_leaves_the_file_before_it",),
    ),
    Removal(
        "view that raises or hangs", "views run on threads of their own",
        (("logger/live.py", "        with self._changed:\n            self._newest = snapshot\n            self._changed.notify()\n",
          "        self._show(snapshot)\n"),),
        (f"{CAPTURE}/test_isolation.py::test_consumers_that_raise_or_stall_cost_no_sample",),
    ),
    Removal(
        "stopped by a signal", "SIGTERM is a clean stop",
        (("logger/commands/record.py", '("SIGINT", "SIGTERM", "SIGHUP")', '("SIGINT",)'),),
        ("tests/commands/test_record.py::test_a_signal_closes_cleanly",
         "tests/commands/test_service.py::test_stopped_by_a_service_manager_the_logbook_is_closed"),
    ),
)  # fmt: skip

"""The exercise: set up from an incident, run by a clock with injects, looked at afterwards.

Everything that is so follows from the exercise (frozen, :class:`~planner.exercise.setup.Exercise`)
and the events of a run (appended, never changed): pure functions, no page. Only
:mod:`planner.exercise.keeping` touches the store.

Set up (:mod:`planner.exercise.setup`)
    ``read_exercise(path)`` reads an exercise file and the incident it names, all faults at once;
    ``exercise_from(raw, incident)``; ``planner.exercise.writing``: ``exercise_document``,
    ``write_exercise``;
    ``is_exercise(raw)`` tells an exercise file from an incident's. Types ``Exercise``,
    ``Objective``, ``KnownAtStart``;
    ``planner.exercise.injects``: ``Inject``, ``Condition``;
    ``planner.exercise.changes``: ``Change``;
    ``planner.exercise.library``: ``load_library()``.

Run (:mod:`planner.exercise.run`)
    ``run_state(events, now) -> Run``: clock, minute, branch, log, what was given; ``due_now``,
    ``next_inject``; ``planner.exercise.commanding``: ``asked(exercise, run, kind, data)`` is a
    controller's command as a payload, or raises its faults (kinds: started, paused, speed, rewound,
    put forward, given, held, skipped, improvised, plan revealed, stopped for real, stop lifted,
    ended).

Truth (:mod:`planner.exercise.truth`)
    ``truth_at(exercise, run, minute=None) -> Truth``: true gauges, who breathes from what, who is
    without oxygen since when, minutes out, late swaps, left in cylinders; for controllers only.
    ``without_min(truth)`` is what conditions look at; ``planner.exercise.news``:
    ``news_due(exercise, run, truth)`` are the entries that the world has to tell players.

Known (:mod:`planner.exercise.known`)
    ``known_to_players(exercise, run, minute=None)``: a plain tree of exactly what players know. It
    never looks at the truth. A player's screen and paper are made from nothing else.

Deciding (:mod:`planner.exercise.deciding`)
    ``decide(exercise, run, form) -> LogEntry | tuple[Fault, ...]``: one quick form's data; poor
    choices are taken, impossible ones told with how to mend them. ``DEEDS`` are its kinds.

Keeping (:mod:`planner.exercise.keeping`)
    ``save_exercise``, ``begin_run(store, exercise) -> Links`` (two unguessable links, only digests
    stored), ``role_of(store, link) -> Access | None``, ``look(store, access) -> Seen`` (state now;
    tells the world's news, notes what came due, beats for the sleep rule), ``command`` and
    ``keep_decision`` (each command id once; two writers at once lose nothing).

After (:mod:`planner.exercise.after`, :mod:`planner.exercise.what_now`)
    ``hot_wash(exercise, run) -> HotWash`` facts by objective and category; ``journal_of(exercise,
    run) -> Journal`` for :func:`planner.review.report.review_of`; ``beside_planning(exercise, run,
    minute)`` takes seconds. ``situation_at(exercise, run, minute) -> Situation`` is what
    :func:`planner.workflow.make_plan` plans on from.
"""

"""See whether the statements are true: ``python -m benchmarks.calibration [--quick]``.

Benches with a known truth are simulated (own curves, own errors: `tests.simulated` shares no code
with the engine) and put through the public functions only. Every figure stands with its Monte
Carlo error and its target. Models of one bench share errors (the room as read, the anemometer, an
estimated spread), so the bench, not the model, is the unit of counting in all of those errors.

Rooms: `cases` (one scenario, how it is counted), `scenarios` (benches, what is stated of them),
`coverage`, `bands`, `decisions`, `retests`, `plans` (what is put to the test), `running`
(processes, the file from which a run goes on where it stopped), `report` (the tables).
"""

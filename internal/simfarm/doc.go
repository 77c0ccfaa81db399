// Package simfarm invents print farms whose first layers fail by mechanisms,
// with known truth: for the demo, for benchmarks and to show what the findings
// find and what they make up.
//
// Nothing in here is the model that the findings fit. A layer is spoiled when
// any of several causes spoils it: the nozzle's gap leaves the bead model's
// tolerance band (the printer's zero wanders between probes, plates differ in
// thickness, the bed tilts), oil has built up on the plate, the plate is worn,
// the printer rough, the material hard, a fresh plate over-bonds, the hall is
// cold, a spool or a draught spoils a few starts running, something lies on the
// plate. Graders then say what they say, crews skip probing and put off
// cleaning by habit, mood, hurry and because a layer failed.
//
// Same scenario and seed give the same farm to the byte. Every number that
// decides about start k of printer i comes from its own counter-based stream
// (seed, printer, k, purpose), so the farm can be replayed with a valid probe
// or a clean plate at every start on the very same draws and schedule.
//
// Rates, ranges and forms of the mechanisms are invented for the purpose and
// have no source, except the bead model (rounded-rectangle cross-section).
package simfarm

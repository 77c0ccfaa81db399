// Package trial plans, watches and judges tests in which a lot decides what is done,
// and checks whether a fix held. Plain values in, plain values out: no clock, no
// database, and no randomness but what the caller's seeds give.
//
// What a test compares: starts drawn to do something (probe, wipe, swap, turn the
// plate) with starts drawn to leave it, as they were drawn (intention to treat),
// whatever was done then. Chances are kept and each start is drawn by itself, so
// that nobody can foresee the next draw from those before; arms of unequal size
// cost less than a block whose end can be told.
package trial

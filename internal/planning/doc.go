// Package planning lays out a farm's open jobs: which printer makes which start
// when, what is cleaned and probed before it, and by whom.
//
// A start needs a printer with its plate and, when the jobs say so, a person's
// hand at its beginning. Before a start one recipe may be carried out: steps in
// a fixed order (plate on, wash, soak, probe, coupon check), each taking a
// person's minutes and, from the same instant, the machine's. What a recipe
// gains holds for the next start on that printer only: the print uses it up, and
// it goes stale by itself. So a recipe's steps lie between the print before and
// the start they are for. People work within their turns, walk between bays, and
// wash plates in batches: a wash that directly follows another in the same bay
// needs no setting up.
//
// Times are whole minutes from an origin that the caller keeps.
package planning

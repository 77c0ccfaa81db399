// Package bed is the geometry and metrology of the first layer: the bead model
// (what a line looks like at any gap), the plane through thickness readings and
// marks, and what to do about it: how far to move the nozzle, which screw to
// turn.
//
// Lengths are millimetres. The gap is the distance from nozzle to build surface
// while a line is laid: a larger gap is a higher nozzle or a lower bed. Places
// are in the printer's frame: x from the left, y from the front, as the
// operator stands, seen from above; zone (0, 0) is front left. Nothing here
// knows materials, printers or plates by name.
package bed

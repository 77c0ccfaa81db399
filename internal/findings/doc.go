// Package findings tells which printers' first-layer failures track skipped
// probing, and which printers' and plates' track the gap since the plate was
// cleaned.
//
// The model. Failures have many causes; a layer holds only if every cause
// spares it. A fleet model (printers, plates, materials, graders, hours, days,
// what had just failed; all shrunken) tells how likely each layer was to fail
// without the exposures. Each question adds one exposure whose hazard grows with
// its dose, along a shape that the farm's clearest questions choose. Which marks
// the failed layers carry helps to tell causes apart, as far as the farm's own
// failures show what the marks are worth. The sizes of all effects of one kind
// are taken as drawn from one distribution with a spike at none, learned from
// the farm (empirical Bayes), and a subject may be bad at every dose: a worn
// plate, a rough printer. Layers that held but did not grip well (near misses) bear
// witness to what the failures say about a cleaning gap, as far as they are found where
// layers fail: plates also get dull without harm. What comes out for each
// question is the chance that nothing worth mentioning is avoidable, and how many
// failures a valid probe (a clean plate) at every start would have avoided.
//
// What is left out. Restarts enter no comparison: whether they were probed or
// cleaned follows from the failure before them. Layers probed and then swapped
// or serviced (void) are counted and stand by themselves. A farm's own habits
// that go with the exposure from start to start and with nothing recorded cannot
// be told from it: findings say "goes with".
package findings

// Package upkeep tells how likely the next first layer on a printer is to fail,
// as things are and after cleaning the plate or probing.
//
// It adds nothing to what findings learned of the farm (findings.Model): the
// chance of a start is that of its printer, plate and material together, averaged
// over the hours, graders and days it may fall on, with the hazards of a missing
// probe and of the cleaning gap on top. Its point value is the posterior mean, so
// that as many fail as it says; its interval is of the chance itself and holds
// what is not known of levels and hazards.
//
// From these chances and from prices it tells what to do before a start (Adviser)
// and how often to probe and to clean (Suggestion): by renewal-reward on the fitted
// hazards, averaged over the sizes and forms they may have.
package upkeep

// Package sampling is the look list: which running first layers to look at where
// not every start can be graded, and what the layers looked at tell of all.
//
// Every start gets a chance of being on the list before anybody has seen its
// layer, and is drawn by itself (Poisson sampling with permanent random numbers;
// Brewer, Early and Joyce 1972; Särndal, Swensson and Wretman 1992, section
// 3.5). The chance has a floor that is the same for all, the part by lot, and on
// top of it a part by risk that grows with the standard deviation √(p(1-p)) of
// the outcome at the forecast risk p: for one rate of all, that is the allocation
// of least variance (Neyman 1934; Isaki and Fuller 1982). The floor keeps a
// forecast that is wrong from hiding a machine: no weight is above 2/share.
//
// Rates are weighted by one over the chance and divided by the sum of the
// weights (Hájek 1971), so that it does not matter how many happen to be drawn.
package sampling

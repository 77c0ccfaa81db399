// Package firstlayer says what a first layer tells: which causes, how sure, what
// to do about the layer that lies there now and before the next one.
//
// Everything known of a layer is first turned into facts (facts.go). Each rule of
// one table (rules.go) looks at one fact and says for which causes it speaks and
// how strongly, in log-odds; rules add up, starting from how common the causes are
// (common). That is a naive Bayes classifier with weights set by hand: rules that
// say the same thing twice make it too sure, so weights are low and "something
// else" always keeps its share. Advice follows from the ranked causes in a fixed
// order (advise.go), the word about the running layer from the chance that it
// holds (hold.go).
//
// "Yes", "no" and unknown are farm's codes: "yes", "no", "". Numbers that are not
// known are NaN.
package firstlayer

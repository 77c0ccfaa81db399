// Package graders is about the people who grade: by which lot first layers are graded a
// second time without the first grade being shown, how alike people grade, who is
// stricter, of how many one may say so, and what practice asks.
//
// A lot holds as many failed layers as others, where there are such, so that agreement on
// failures can be told from few layers. Each drawn layer keeps its chance; shares and
// kappas weigh by one over it and so stand for all layers that might have been drawn.
// Nobody is ranked: lists of people are in order of their handles.
package graders

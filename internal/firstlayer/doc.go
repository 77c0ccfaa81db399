// Package firstlayer says what a first layer tells: which cause, how sure, what
// to do about the layer that lies there and before the next one.
package firstlayer

package trial

// ProveRun judges a fix by what was promised before expectations were kept with it: so
// many good layers in a row before the first failure; a nudge begins the count anew. 0
// needed: it can only fail.
func ProveRun(needed int, layers []After, over bool) Proof {
	p := Proof{Layers: make([]Counts, len(layers))}
	for i, l := range layers {
		switch {
		case p.State != Open:
			p.Layers[i] = CountsAfter
		case !l.Graded || l.Watched && !l.Failed && !l.Nudged:
			p.Layers[i] = CountsNeither
		case l.Failed:
			p.State, p.Ended, p.Failures, p.Layers[i] = NotUpheld, l.At, 1, CountsFailed
		case l.Nudged:
			for k := range i {
				p.Layers[k] = CountsNeither
			}
			p.Good, p.Layers[i] = 0, CountsNeither
		default:
			if p.Good++; needed > 0 && p.Good >= needed {
				p.State, p.Ended = Upheld, l.At
			}
		}
	}
	if p.State == Open && over {
		p.State = TooLittle
	} else if p.State == Open {
		p.More = max(0, needed-p.Good)
	}
	return p
}

package trial

// Counted is what a planned test's starts come to, by the rule fixed when it began: only
// graded starts count, in their order, up to its size.
type Counted struct {
	Do, Leave Arm
	After     int  // graded ones beyond its size, which do not count
	Crossed   int  // graded starts after which stopping was honest; 0 not yet
	Full      bool // its size is reached
	Look      Look
	Result    Result // with 95 % limits
	Shown     bool   // by the look after every start, or at its size
}

// Count judges graded starts in their order: at the size by the randomisation test, before it
// by what may be looked at after every start. seed is Judge's.
func Count(graded []One, size int, share float64, seed uint64) Counted {
	var x Counted
	if len(graded) > size {
		x.After, graded = len(graded)-size, graded[:size]
	}
	for _, s := range graded {
		arm := &x.Leave
		if s.Do {
			arm = &x.Do
		}
		arm.Starts++
		if s.Failed {
			arm.Failures++
		}
	}
	x.Full = len(graded) >= size
	x.Crossed = Crossed(graded, share, LevelWatch)
	x.Look = Watch(x.Do, x.Leave, share, 1-LevelWatch)
	x.Result = Judge(x.Do, x.Leave, share, 0.95, seed)
	x.Shown = x.Crossed > 0 || x.Full && x.Result.P <= LevelEnd
	return x
}

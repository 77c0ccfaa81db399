package views

// LayerAdvice is the card that says what a first layer asks for.
type LayerAdvice struct {
	Tone    string   // "", soon, act
	Safety  []string // cautions, first: where it is hot, with solvents, where something moves
	Now     string   // about the layer that prints now, three words and a coarse reason; "" when none does
	NowWhy  string
	Do      string // what to do first
	Action  string // its stored code
	Because string
	Sure    string // how sure, with an interval where there is one
	Change  string // what would change it
	Range   string // of the move, in words
	Then    []AdviceStep
	Causes  []AdviceCause
}

// WeighPart asks for the mass of a patch and says what it changed.
type WeighPart struct {
	Action   string // "" nothing is asked
	Fields   []Field
	Problems []FormProblem
	Says     string
	Open     bool
}

// AdviceStep is one more thing to do, in order.
type AdviceStep struct {
	Action, Do string
	Done       string // address of saying that it was done; "" none
	Tap        DoneTap
}

// DoneTap says with one tap that an advice was followed, where nothing is left to
// ask.
type DoneTap struct {
	To     string // address it is sent to; "" there is none
	Hidden []Fact
	For    string // what was to be done, for ears
	Says   string // what is recorded beside that, "" nothing
	Proof  string // what will show that it held, "" nothing to show
}

// AdviceCause is one cause the layer may have, the likeliest first.
type AdviceCause struct{ Code, Word, Sure, For, Against string }

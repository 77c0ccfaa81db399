package farm

import "time"

// Codes of cases and planned tests.
var (
	CaseSteps  = []string{"suspected", "on_test", "upheld", "not_upheld", "closed"}
	TestedAre  = []string{"probe", "wipe", "swap_plate", "turn_plate"}
	TestEndIs  = []string{"size", "shown", "other"} // its size is reached, shown before that, or for another reason
	TestsOf    = map[string][]string{"printer skipped_probing": {"probe"}, "printer cleaning_gap": {"wipe", "swap_plate"}, "plate cleaning_gap": {"wipe", "turn_plate"}}
	CaseFollow = map[string][]string{ // what may come after what, in the order offered
		"suspected":  {"on_test", "upheld", "not_upheld", "closed"},
		"on_test":    {"upheld", "not_upheld", "suspected", "closed"},
		"upheld":     {"closed", "suspected"},
		"not_upheld": {"closed", "suspected"},
		"closed":     {"suspected"},
	}
)

// CaseStep is one step of the case about a finding: where it stands from then on, by
// whom and why. The latest that is not voided says where the case stands; a finding
// raised without any is suspected.
type CaseStep struct {
	ID                          ID
	SubjectKind, Subject, Cause string
	At                          time.Time
	Step                        string
	State                       string // the finding's evidence then
	Test                        string // text of the id of the planned test that it begins or rests on
	Person, Reason              string
	Meta
}

// KindOfSubject says what sort of thing the finding is about.
func (c *CaseStep) KindOfSubject() Kind { return Kind(c.SubjectKind) }

// PlannedTest is a test of one finding: before each start of the subject the lot says
// whether the task is done or left (Draw, whose Why is the test's id). Its size is
// fixed when it begins.
type PlannedTest struct {
	ID                          ID
	SubjectKind, Subject, Cause string
	Task                        string // what is drawn
	BeginsAt, EndedAt           time.Time
	Starts                      int     // graded starts, both arms together
	Share                       float64 // of starts drawn to be done
	FailsLeft, FailsDone        float64 // the chances of failure it is sized to tell apart
	Power                       float64
	Person, Reason              string
	EndedBy, EndIs, EndReason   string
	Meta
}

// KindOfSubject says what sort of thing the test is about.
func (t *PlannedTest) KindOfSubject() Kind { return Kind(t.SubjectKind) }

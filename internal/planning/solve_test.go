package planning

import (
	"fmt"
	"reflect"
	"testing"
)

func TestSamePlanEveryTime(t *testing.T) {
	in := draw(3, size{16, 6, 3, 2, 20})
	if a, b := Solve(in), Solve(in); !reflect.DeepEqual(a, b) {
		t.Fatal("two plans of one instance differ")
	}
}

// What has nothing to do with a plan moves nothing in it.
func TestReplanLeavesWhatStands(t *testing.T) {
	in := draw(4, size{32, 10, 6, 3, 40})
	p := Solve(in)
	more := *in
	more.People = append(append([]Person(nil), in.People...), Person{Name: "new", Turns: []Span{{100, 160}}})
	q := Replan(&more, p, 5)
	if !reflect.DeepEqual(p.Starts, q.Starts) {
		t.Fatalf("moved: %v\n%v", p.Starts, q.Starts)
	}
}

func BenchmarkPlan(b *testing.B) {
	for _, n := range []int{1, 10} {
		b.Run(fmt.Sprintf("%dprinters", 200*n), func(b *testing.B) {
			in := draw(9, size{200 * n, 40 * n, 12 * n, 3, 300 * n})
			for b.Loop() {
				p := Solve(in)
				b.ReportMetric(p.Gap(), "gap")
			}
		})
	}
}

func BenchmarkReplan(b *testing.B) {
	for _, n := range []int{1, 10} {
		b.Run(fmt.Sprintf("%dprinters", 200*n), func(b *testing.B) {
			in := draw(9, size{200 * n, 40 * n, 12 * n, 3, 300 * n})
			s := newBoard(in)
			s.construct()
			p := s.told()
			in.Printers[7].Free = Never
			for b.Loop() {
				Replan(in, p, 5).Prove(in)
			}
		})
	}
}

package assess

import (
	"encoding/json"
	"math"
	"strconv"
	"time"
)

// JSON writes the answer as the commands and the API give it: the same bytes
// for the same farm, numbers to six significant digits, times in UTC, a line
// end behind it.
func (f *Findings) JSON() []byte {
	b := make([]byte, 0, 512+640*len(f.Items))
	b = append(b, `{"as_of":`...)
	b = putClock(b, f.AsOf)
	b = append(b, `,"known_at":`...)
	b = putClock(b, f.KnownAt)
	b = append(b, `,"window":{"from":`...)
	b = putClock(b, f.From)
	b = append(b, `,"to":`...)
	b = putClock(b, f.To)
	b = putCount(append(b, '}'), "first_layers", f.FirstLayers)
	b = putCount(b, "graded", f.Graded)
	b = putCount(b, "failures", f.Failures)
	b = putNumber(b, "false_discovery_rate", f.FalseDiscoveryRate)
	b = putNumber(b, "gap_split", f.GapSplit)
	b = append(b, `,"findings":[`...)
	for i := range f.Items {
		if i > 0 {
			b = append(b, ',')
		}
		b = f.Items[i].appendJSON(append(b, '\n'))
	}
	if len(f.Items) > 0 {
		b = append(b, '\n')
	}
	return append(b, "]}\n"...)
}

func (f *Finding) appendJSON(b []byte) []byte {
	b = append(b, `{"subject_kind":`...)
	b = putString(b, f.Kind)
	b = putText(b, "subject", f.Subject)
	b = putText(b, "cause", f.Cause)
	b = putText(b, "state", f.State)
	if f.Case == "" {
		b = append(b, `,"case":null`...)
	} else {
		b = putText(b, "case", f.Case)
	}
	b = putCount(b, "starts", f.Starts)
	b = putCount(b, "graded", f.Graded)
	b = putCount(b, "n", f.N)
	b = putCount(b, "failures", f.Failures)
	b = putCount(b, "n_exposed", f.NExposed)
	b = putCount(b, "failures_exposed", f.FailuresExposed)
	b = putNumber(b, "odds_ratio", odds(f.OddsRatio))
	b = putNumber(b, "odds_ratio_low", odds(f.OddsLow))
	b = putNumber(b, "odds_ratio_high", odds(f.OddsHigh))
	b = putNumber(b, "p_value", f.P)
	b = putNumber(b, "q_value", f.Q)
	b = putNumber(b, "avoidable_per_100", f.Avoidable)
	b = putNumber(b, "avoidable_low", f.AvoidableLow)
	b = putNumber(b, "avoidable_high", f.AvoidableHigh)
	b = strconv.AppendBool(append(b, `,"reverse":`...), f.Reverse)
	if f.Needs > 0 {
		b = putCount(b, "needs", f.Needs)
	} else {
		b = append(b, `,"needs":null`...)
	}
	b = putText(b, "summary", f.Summary)
	return append(b, '}')
}

// odds keeps an odds ratio finite: beyond a million it says no more.
func odds(x float64) float64 { return min(1e6, max(1e-6, x)) }

func putText(b []byte, key, s string) []byte {
	return putString(append(append(append(b, `,"`...), key...), `":`...), s)
}

func putString(b []byte, s string) []byte {
	text, err := json.Marshal(s)
	if err != nil {
		return append(b, `""`...) // no string fails
	}
	return append(b, text...)
}

func putCount(b []byte, key string, n int) []byte {
	return strconv.AppendInt(append(append(append(b, `,"`...), key...), `":`...), int64(n), 10)
}

// putNumber writes six significant digits; null where nothing is known.
func putNumber(b []byte, key string, x float64) []byte {
	b = append(append(append(b, `,"`...), key...), `":`...)
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return append(b, "null"...)
	}
	if x == 0 {
		return append(b, '0') // never -0
	}
	return strconv.AppendFloat(b, x, 'g', 6, 64)
}

func putClock(b []byte, t time.Time) []byte {
	if t.IsZero() {
		return append(b, "null"...)
	}
	return append(append(append(b, '"'), clock(t)...), '"')
}

// clock writes an instant in UTC, to the microsecond where it has any.
func clock(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

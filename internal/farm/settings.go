package farm

import (
	"strconv"
	"strings"
	"time"
)

// SettingRule is one setting the farm knows: its default and what may stand
// there.
type SettingRule struct {
	Key, Default string
	Expected     string // what is expected, in words
	valid        func(string) bool
}

// InWords tells whether the setting is a word and no number.
func (r SettingRule) InWords() bool {
	_, number := ParseNumber(r.Default)
	return !number
}

// Valid tells whether a value may stand under the setting.
func (r SettingRule) Valid(value string) bool { return r.valid(value) }

// SettingRules lists the settings of the page of settings, in the order people
// read them; TextRules are the others. Minutes are of a person or of a machine,
// money is in the farm's currency.
var SettingRules = []SettingRule{
	{"time_zone", "UTC", "a time zone by its name, such as UTC or Europe/Berlin", func(v string) bool {
		_, err := time.LoadLocation(v)
		return err == nil && v != "" && v != "Local"
	}},
	{"currency", "EUR", "a currency by its three capital letters", func(v string) bool {
		return len(v) == 3 && strings.Trim(v, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") == ""
	}},
	{"person_level", "shown", "shown, groups or off", func(v string) bool { return v == "shown" || v == "groups" || v == "off" }},
	number("labour_per_hour", "30", 0, 1e6),
	number("machine_per_hour", "3", 0, 1e6),
	number("wipe_minutes", "1", 0, 1e4),
	number("wash_minutes", "5", 0, 1e4),
	number("wash_setup_minutes", "3", 0, 1e4),
	number("wash_batch", "12", 1, 1000),
	number("deep_minutes", "15", 0, 1e4),
	number("probe_minutes", "1", 0, 1e4),
	number("soak_minutes", "0", 0, 1e4),
	number("check_minutes", "2", 0, 1e4),
	number("swap_minutes", "1", 0, 1e4),
	number("wipe_machine_minutes", "1", 0, 1e4),
	number("wash_machine_minutes", "6", 0, 1e4),
	number("deep_machine_minutes", "16", 0, 1e4),
	number("probe_machine_minutes", "6", 0, 1e4),
	number("soak_machine_minutes", "15", 0, 1e4),
	number("check_machine_minutes", "5", 0, 1e4),
	number("swap_machine_minutes", "1", 0, 1e4),
	number("failure_minutes", "30", 0, 1e4),
	number("failure_labour_minutes", "6", 0, 1e4),
	number("failure_material", "0.50", 0, 1e6),
	number("least_avoidable", "0.5", 0, 100),
	number("start_window_minutes", "45", 0, 1440),
	number("look_share", "100", 0, 100),
	{"standing_lot", "on", "on or off", func(v string) bool { return v == "on" || v == "off" }},
	number("lot_limit", "0.01", 0, 1),
	number("lot_job_value", "1000", 0, 1e15),
}

func number(key, standard string, least, most float64) SettingRule {
	return SettingRule{key, standard,
		"a number from " + strconv.FormatFloat(least, 'f', -1, 64) + " to " + strconv.FormatFloat(most, 'f', -1, 64),
		func(v string) bool {
			x, ok := ParseNumber(v)
			return ok && x >= least && x <= most
		}}
}

// SettingRuleOf finds the rule of a setting.
func SettingRuleOf(key string) (SettingRule, bool) {
	for _, rules := range [][]SettingRule{SettingRules, TextRules} {
		for _, r := range rules {
			if r.Key == key {
				return r, true
			}
		}
	}
	return SettingRule{}, false
}

// SettingValues is a farm's settings by key; what is absent has its default.
type SettingValues map[string]string

// Text gives the value of a setting, or its default.
func (s SettingValues) Text(key string) string {
	if v, ok := s[key]; ok {
		return v
	}
	r, _ := SettingRuleOf(key)
	return r.Default
}

// Number gives the value of a numeric setting, or its default.
func (s SettingValues) Number(key string) float64 {
	x, _ := ParseNumber(s.Text(key))
	return x
}

// Zone gives the farm's time zone. The caller must have the zone data linked
// in (time/tzdata).
func (s SettingValues) Zone() *time.Location {
	if loc, err := time.LoadLocation(s.Text("time_zone")); err == nil {
		return loc
	}
	return time.UTC
}

// FailureCost is what a failed first layer costs in the farm's currency: machine
// time lost, work and material.
func (s SettingValues) FailureCost() float64 {
	return s.Number("failure_minutes")/60*s.Number("machine_per_hour") + s.Number("failure_labour_minutes")/60*s.Number("labour_per_hour") + s.Number("failure_material")
}

package web

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/intake"

	"github.com/labstack/echo/v4"
)

// schema is a piece of the description: a JSON Schema or what stands around it.
type schema = map[string]any

// apiDoc says what an address of the API does.
type apiDoc struct {
	Summary   string
	More      string
	Params    []apiParam // in the address, behind the question mark
	Name      string     // what the name in the path is; "" the path has none
	Body      schema     // of what is sent; nil: nothing is
	BodyTypes []string   // of a body that is no JSON
	Answer    schema     // of what is answered with 200
}

// apiParam is a parameter behind the question mark.
type apiParam struct {
	Name, Means string
	Form        schema
}

// The forms of parameters.
var (
	formTag  = schema{"type": "string", "minLength": 1, "maxLength": 64}
	formTime = schema{"type": "string", "format": "date-time"}
)

// listParams are the parameters by name; lists take some of them.
var listParams = []apiParam{
	{"printer", "Of this printer only, by tag.", formTag},
	{"plate", "Of this plate only, by tag.", formTag},
	{"since", "Happened at or after this time.", formTime},
	{"until", "Happened before this time.", formTime},
	{"arrived_since", "Arrived, filled in or voided at or after this time: asks what is new.", formTime},
	{"cursor", "Where the page begins: next of the page before.", schema{"type": "string"}},
	{"limit", "How many items a page has.", schema{"type": "integer", "minimum": 1, "maximum": listMost, "default": listUsual}},
}

var asOfParams = []apiParam{
	{"at", "What had happened by then; now when left out.", formTime},
	{"known_at", "Leaves out what arrived later.", formTime},
	{"from", "Beginning of the window, itself left out.", formTime},
	{"to", "End of the window, itself taken in.", formTime},
}

func paramsNamed(names ...string) []apiParam {
	var out []apiParam
	for _, p := range listParams {
		if slices.Contains(names, p.Name) {
			out = append(out, p)
		}
	}
	return out
}

// spoken is a file's name as people read it.
func spoken(t *intake.Table) string { return strings.ReplaceAll(t.Name, "_", " ") }

func docList(t *intake.Table) *apiDoc {
	d := &apiDoc{Summary: "List " + spoken(t), Answer: pageOf(t), Params: paramsNamed("cursor", "limit"), More: "By name."}
	if t.Event {
		d.Params = paramsNamed(eventParams(t)...)
		d.More = "By " + t.Fields[t.When].Name + ", then id. Voided ones are listed too: they have voided_at."
	}
	return d
}

func docOne(t *intake.Table) *apiDoc {
	d := &apiDoc{Summary: "Read one of " + spoken(t), Name: "Its name.", Answer: refTo(schemaName(t.Kind))}
	if t.Event {
		d.Name = "Its id: the UUID, or the text under which it was recorded."
	}
	return d
}

var docScrews = &apiDoc{Summary: "List a printer's bed screws", Name: "The printer's tag.", Answer: pageOf(intake.TableOf(farm.KindScrew))}

var docRecords = &apiDoc{Summary: "Record what happened",
	More: "Takes 1 to 500 records, at most 2 MB. Each is stored by itself, in the order sent; the answer says of each what became of it. What is answered recorded is on disk. " +
		"Sending a record again with the same id is safe: it is answered already_recorded.",
	Body:   schema{"type": "object", "required": []string{"records"}, "additionalProperties": false, "properties": schema{"records": schema{"type": "array", "minItems": 1, "maxItems": intake.MostRecords, "items": refTo("Record")}}},
	Answer: object(schema{"results": schema{"type": "array", "items": refTo("Result")}}),
}

var docFindings = &apiDoc{Summary: "Read the findings", More: "The same object that basecourse findings --format json prints.", Params: asOfParams, Answer: refTo("Findings")}

var docRisk = &apiDoc{Summary: "Read how likely the next first layers are to fail", More: "The same object that basecourse risk --format json prints.", Params: asOfParams, Answer: refTo("Risks")}

var docPlan = &apiDoc{Summary: "Read the prep plan of all open jobs", More: "The same object that basecourse plan --format json prints.",
	Params: append(slices.Clone(asOfParams), apiParam{"confidence", "How sure each job is to get as many good first layers as it needs, above 0 and below 1; 0.95 when left out.", schema{"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 1}}), Answer: refTo("Plan")}
var docUpkeep = &apiDoc{Summary: "Read what is due before the next starts", More: "The same object that basecourse upkeep --format json prints, in the order to do it. With printer: before its next start; nothing listed: start.",
	Params: append([]apiParam{{"printer", "Only this printer, by its tag.", formTag}}, asOfParams...), Answer: refTo("Upkeep")}

var docDescription = &apiDoc{Summary: "Read this description", Answer: schema{"type": "object", "required": []string{"openapi", "info", "paths"}}}

func refTo(name string) schema { return schema{"$ref": "#/components/schemas/" + name} }

func or(types ...string) []string { return types }

// object is an object that has all of these and nothing else.
func object(properties schema) schema {
	names := make([]string, 0, len(properties))
	for name := range properties {
		names = append(names, name)
	}
	slices.Sort(names)
	return schema{"type": "object", "required": names, "additionalProperties": false, "properties": properties}
}

func pageOf(t *intake.Table) schema {
	return object(schema{"items": schema{"type": "array", "items": refTo(schemaName(t.Kind))}, "next": schema{"type": or("string", "null"), "description": "cursor of the next page; null at the end"}})
}

// schemaName is a kind's name as schemas are named: first_layer is FirstLayer.
func schemaName(kind farm.Kind) string {
	name := ""
	for part := range strings.SplitSeq(string(kind), "_") {
		name += strings.ToUpper(part[:1]) + part[1:]
	}
	return name
}

var (
	formID   = schema{"type": "string", "format": "uuid"}
	formRef  = schema{"type": or("string", "null"), "description": "the id as it was sent, where that is no UUID"}
	formSent = schema{"type": "string", "minLength": 1, "maxLength": 64, "description": "yours to choose, unique for ever: a UUID or any text"}
)

// answered is the schema of a record as it is read: every field is there.
func answered(t *intake.Table) schema {
	properties := schema{}
	for i := range t.Fields {
		f := &t.Fields[i]
		if f.Type == intake.Ident && !f.Meta {
			properties["id"], properties["ref"] = formID, formRef
			continue
		}
		properties[f.Name] = fieldSchema(f, f.Required || f.Name == "arrived_at" || f.Name == "noted_at")
	}
	return object(properties)
}

// sent is the schema of a record as it is recorded.
func sent(t *intake.Table) schema {
	properties, required := schema{"kind": schema{"const": string(t.Kind)}}, []string{"kind"}
	for i := range t.Fields {
		f := &t.Fields[i]
		name := f.Name
		switch {
		case slices.Contains(serverFields, f.Name):
			continue // the server's to set
		case f.Type == intake.Ident && !f.Meta:
			name = "id"
			properties[name] = formSent
		case f.Type >= intake.Marks && f.Type <= intake.Heights:
			list := fieldSchema(f, true)
			properties[name] = schema{"anyOf": []any{list, schema{"type": or("string", "null"), "description": "the same as in the CSV bundle"}}}
		default:
			properties[name] = fieldSchema(f, f.Required)
		}
		if f.Required {
			required = append(required, name)
		}
	}
	if t.Kind == intake.KindVoid {
		properties["id"] = schema{"type": "string", "description": "comes back in the answer; may be left out"}
	}
	return schema{"type": "object", "required": required, "additionalProperties": false, "properties": properties}
}

func fieldSchema(f *intake.Field, always bool) schema {
	kind := func(name string) any {
		if always {
			return name
		}
		return or(name, "null")
	}
	switch f.Type {
	case intake.Code:
		codes := make([]any, 0, len(f.Codes)+1)
		for _, c := range f.Codes {
			codes = append(codes, c)
		}
		if !always {
			codes = append(codes, nil)
		}
		return schema{"type": kind("string"), "enum": codes}
	case intake.Number, intake.Whole:
		s := schema{"type": kind("number"), "minimum": f.Min, "maximum": f.Max}
		if f.Type == intake.Whole {
			s["type"] = kind("integer")
		}
		if f.Above {
			delete(s, "minimum")
			s["exclusiveMinimum"] = f.Min
		}
		return s
	case intake.Time:
		return schema{"type": kind("string"), "format": "date-time"}
	case intake.Marks:
		return schema{"type": "array", "items": refTo("Mark")}
	case intake.Readings:
		return schema{"type": "array", "items": refTo("Reading")}
	case intake.Zones:
		return schema{"type": "array", "items": refTo("Zone")}
	case intake.Heights:
		return schema{"type": "array", "description": "row-major from the front left, mm, up positive; null where missing", "items": schema{"type": or("number", "null"), "minimum": f.Min, "maximum": f.Max}}
	case intake.Ident:
		return schema{"type": or("string", "null"), "description": "id of a record"}
	case intake.Key:
		return schema{"type": kind("string"), "maxLength": 64}
	}
	return schema{"type": kind("string")}
}

// riskSchema is the chance of failure of a printer's next first layer.
func riskSchema() schema {
	name, chance := schema{"type": or("string", "null")}, schema{"type": "number", "minimum": 0, "maximum": 1}
	properties := schema{"printer": schema{"type": "string"}, "plate": name, "material": name}
	for _, key := range []string{"p_now", "p_after_cleaning", "p_after_probing", "p_after_both"} {
		for _, end := range []string{"", "_low", "_high"} {
			properties[key+end] = chance
		}
	}
	return object(properties)
}

// planSchemas are the pieces of a prep plan.
func planSchemas(out schema) {
	count, text := schema{"type": "integer", "minimum": 0}, schema{"type": "string"}
	name, clock, chance := schema{"type": or("string", "null")}, schema{"type": "string", "format": "date-time"}, schema{"type": "number", "minimum": 0, "maximum": 1}
	start := object(schema{"printer": text, "plate": name, "starts_at": clock, "ends_at": clock, "p_fail": chance})
	out["PlanJob"] = object(schema{"job": text, "needed": count, "start": count, "p_enough": chance, "starts": schema{"type": "array", "items": start}, "late_minutes": count,
		"cannot": schema{"type": or("string", "null"), "description": "what cannot be done, and what it would take"}})
	out["PlanTask"] = object(schema{"task": text, "printer": text, "plate": name, "person": name, "starts_at": clock, "ends_at": clock, "because": text})
	out["Plan"] = object(schema{"as_of": clock, "jobs": schema{"type": "array", "items": refTo("PlanJob")}, "tasks": schema{"type": "array", "items": refTo("PlanTask")},
		"cost": schema{"type": "number"}, "bound": schema{"type": "number", "description": "no plan that makes all starts costs less"}, "gap": schema{"type": or("number", "null"), "description": "cost / bound - 1"}})
}

// upkeepTasks are the codes of what may be due.
var upkeepTasks = []string{"swap_plate", "wipe", "wash", "deep", "coat", "probe", "soak", "check"}

// schemas are the named pieces.
func schemas() schema {
	count, number := schema{"type": "integer", "minimum": 0}, schema{"type": or("number", "null")}
	text, clock := schema{"type": "string"}, schema{"type": or("string", "null"), "format": "date-time"}
	optional := func(s schema, names ...string) schema {
		s["required"] = slices.DeleteFunc(s["required"].([]string), func(n string) bool { return slices.Contains(names, n) })
		return s
	}
	marks := make([]any, len(farm.Marks))
	for i, m := range farm.Marks {
		marks[i] = m
	}
	out := schema{
		"Zone": schema{"type": "string", "pattern": "^[A-I][1-9]$", "description": "column and row, seen from the front and above: A1 is front left"},
		"Mark": object(schema{"zone": refTo("Zone"), "mark": schema{"type": "string", "enum": marks}, "severity": schema{"type": "integer", "minimum": 1, "maximum": 3}}),
		"Reading": optional(object(schema{"zone": refTo("Zone"), "mm": schema{"type": "number", "minimum": farm.LeastReadingMM, "maximum": farm.MostReadingMM},
			"patch": schema{"type": "boolean", "description": "of a solid patch; otherwise of a single line"}}), "patch"),
		"Place": optional(object(schema{"file": text, "line": schema{"type": "integer"}, "column": schema{"type": "string", "description": "column of a file, or parameter"},
			"pointer": schema{"type": "string", "description": "JSON pointer into what was sent (RFC 6901)"}, "found": text, "expected": text}), "file", "line", "column", "pointer"),
		"Problem": optional(object(schema{"type": schema{"type": "string", "enum": problemTypes()}, "title": text, "status": schema{"type": "integer"}, "detail": text,
			"problems": schema{"type": "array", "items": refTo("Place")}, "instance": text}), "detail", "problems", "instance"),
		"Result": optional(object(schema{"id": text, "ref": formRef, "result": schema{"type": "string", "enum": []string{"recorded", "already_recorded", "refused"}}, "error": refTo("Problem")}), "error"),
		"Risks":  object(schema{"as_of": clock, "items": schema{"type": "array", "items": refTo("Risk")}}),
		"Risk":   riskSchema(),
		"Upkeep": object(schema{"as_of": clock, "items": schema{"type": "array", "items": refTo("Due")}}),
		"Due": object(schema{"task": schema{"type": "string", "enum": upkeepTasks}, "subject_kind": schema{"type": "string", "enum": farm.SubjectKinds}, "subject": text,
			"printer": text, "plate": schema{"type": or("string", "null")}, "due_at": clock, "because": text, "person_minutes": number, "machine_minutes": number,
			"saves": number, "saves_low": number, "saves_high": number, "by_lot": schema{"type": "boolean"}}),
		"Findings": object(schema{"as_of": clock, "known_at": clock, "window": object(schema{"from": clock, "to": clock}), "first_layers": count, "graded": count, "failures": count,
			"false_discovery_rate": schema{"type": "number"}, "gap_split": number, "findings": schema{"type": "array", "items": refTo("Finding")}}),
	}
	finding := schema{"subject_kind": schema{"type": "string", "enum": farm.SubjectKinds}, "subject": text, "cause": schema{"type": "string", "enum": farm.Causes}, "state": schema{"type": "string", "enum": farm.Evidences},
		"case": schema{"type": or("string", "null"), "enum": []any{"suspected", "on_test", "upheld", "not_upheld", "closed", nil}}, "reverse": schema{"type": "boolean"}, "needs": schema{"type": or("integer", "null")},
		"summary": schema{"type": "string", "maxLength": 200}}
	for _, name := range []string{"starts", "graded", "n", "failures", "n_exposed", "failures_exposed"} {
		finding[name] = count
	}
	for _, name := range []string{"odds_ratio", "odds_ratio_low", "odds_ratio_high", "p_value", "q_value", "avoidable_per_100", "avoidable_low", "avoidable_high"} {
		finding[name] = number
	}
	out["Finding"] = object(finding)
	planSchemas(out)
	out["JobOutcome"] = outcomeSchema()
	var records []any
	for _, t := range append(slices.Clone(intake.Tables), intake.RecordTable(intake.KindVoid)) {
		name := schemaName(t.Kind)
		if t.Kind != intake.KindVoid {
			out[name] = answered(t)
		}
		if t.Event || t.Kind == intake.KindVoid {
			out[name+"Record"] = sent(t)
			records = append(records, refTo(name+"Record"))
		}
	}
	out["Record"] = schema{"oneOf": records}
	return out
}

func problemTypes() []string {
	var out []string
	for kind := range problemTitles {
		out = append(out, "urn:basecourse:problem:"+string(kind))
	}
	slices.Sort(out)
	return out
}

// refusals are the statuses every address may answer beside 200.
var refusals = map[string]string{
	"400": "The address or the body cannot be read.", "401": "There is no token, or it is not one of this farm's, has run out or was revoked.", "403": "The token's role may not do this.",
	"404": "There is no such thing.", "406": "The answer is JSON and Accept leaves that out.", "413": "More was sent than is taken at once.",
	"429": "Too many requests. Send again after Retry-After seconds.", "500": "Something broke; the log has the reason under the instance.", "503": "Not just now. Send again after Retry-After seconds.",
}

// describe makes the OpenAPI description from the table of routes and the tables
// of fields.
func describe(list []Route, base string) ([]byte, error) {
	problem := schema{"application/problem+json": schema{"schema": refTo("Problem")}}
	retry := schema{"Retry-After": schema{"description": "seconds to wait", "required": true, "schema": schema{"type": "integer", "minimum": 1}}}
	paths := schema{}
	for _, r := range list {
		if r.doc == nil || r.Method == http.MethodHead {
			continue
		}
		d := r.doc
		responses := schema{"200": schema{"description": "Done.", "content": schema{"application/json": schema{"schema": d.Answer}}}}
		if r.Method == http.MethodGet {
			tag := schema{"ETag": schema{"description": "send it as If-None-Match to be told 304 while nothing changed", "required": true, "schema": schema{"type": "string"}}}
			responses["200"].(schema)["headers"] = tag
			responses["304"] = schema{"description": "What If-None-Match names is still so.", "headers": tag}
		}
		for status, words := range refusals {
			answer := schema{"description": words, "content": problem}
			switch status {
			case "429", "503":
				answer["headers"] = retry
			case "401":
				answer["headers"] = schema{"WWW-Authenticate": schema{"required": true, "schema": schema{"type": "string"}}}
			}
			responses[status] = answer
		}
		op := schema{"operationId": operationID(r), "summary": d.Summary, "responses": responses, "x-role": r.Role}
		if d.More != "" {
			op["description"] = d.More
		}
		if r.Role == roleAnyone {
			op["security"] = []any{}
		}
		var params []any
		path := "/"
		for part := range strings.SplitSeq(strings.TrimPrefix(r.Path, "/"), "/") {
			if name, ok := strings.CutPrefix(part, ":"); ok {
				params = append(params, schema{"name": name, "in": "path", "required": true, "description": d.Name, "schema": formTag})
				part = "{" + name + "}"
			}
			path += part + "/"
		}
		path = strings.TrimSuffix(path, "/")
		for _, p := range d.Params {
			params = append(params, schema{"name": p.Name, "in": "query", "description": p.Means, "schema": p.Form})
		}
		if params != nil {
			op["parameters"] = params
		}
		if d.BodyTypes != nil {
			content := schema{}
			for _, t := range d.BodyTypes {
				content[t] = schema{"schema": schema{"type": "string", "contentMediaType": t}}
			}
			op["requestBody"] = schema{"required": true, "content": content}
			responses["409"] = schema{"description": "Something else stands under this id.", "content": problem}
			responses["415"] = schema{"description": "The body is none of these.", "content": problem}
			responses["422"] = schema{"description": "It cannot be taken: problems says where, what was found and what was expected.", "content": problem}
		}
		if d.Body != nil {
			op["requestBody"] = schema{"required": true, "content": schema{"application/json": schema{"schema": d.Body}}}
			responses["415"] = schema{"description": "The body is no application/json.", "content": problem}
		}
		at, _ := paths[path].(schema)
		if at == nil {
			at = schema{}
			paths[path] = at
		}
		at[strings.ToLower(r.Method)] = op
	}
	if base == "" {
		base = "/"
	}
	return json.MarshalIndent(schema{
		"openapi": "3.1.0",
		"info": schema{"title": "Basecourse", "version": "1",
			"description": "First layers, what happened to printers and plates, and what follows from it. Times have an offset on the way in and are UTC on the way out; null is unknown. Refusals are problems (RFC 9457)."},
		"servers":  []any{schema{"url": base}},
		"security": []any{schema{"token": []any{}}},
		"paths":    paths,
		"components": schema{
			"schemas":         schemas(),
			"securitySchemes": schema{"token": schema{"type": "http", "scheme": "bearer", "description": "made in Setup under Tokens, or by basecourse token add"}},
		},
	}, "", " ")
}

// operationID names an operation: GET /api/v1/printers/:tag is getPrintersTag.
func operationID(r Route) string {
	id := strings.ToLower(r.Method)
	for _, word := range strings.FieldsFunc(strings.TrimPrefix(r.Path, "/api/v1"), func(c rune) bool { return strings.ContainsRune("/:-_.", c) }) {
		id += strings.ToUpper(word[:1]) + word[1:]
	}
	return id
}

// apiDescription serves the description.
func (s *Server) apiDescription() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		return writeRawJSON(c, s.description)
	}
}

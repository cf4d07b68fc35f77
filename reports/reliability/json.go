package reliability

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"strconv"

	"benchlore/reports/lifedata"
)

type jsonReliability struct {
	Schema   int         `json:"schema"`
	Estimand string      `json:"estimand"`
	TimeUnit string      `json:"timeUnit"`
	Failure  string      `json:"failure"`
	AsOf     string      `json:"asOf"`
	Silence  Silence     `json:"silence"`
	By       []string    `json:"by"`
	Groups   []jsonGroup `json:"groups"`
	Notes    []string    `json:"notes"`
}

type jsonGroup struct {
	Key            jsonKey      `json:"key"`
	Units          jsonUnits    `json:"units"`
	Parts          jsonParts    `json:"parts"`
	Rate           *jsonRate    `json:"rate"`
	RateRefused    string       `json:"rateRefused"`
	Weibull        *jsonWeibull `json:"weibull"`
	WeibullRefused string       `json:"weibullRefused"`
	Rank           *jsonRank    `json:"rank"`
	Curve          []jsonPoint  `json:"curve"`
}

type jsonWeibull struct {
	Shape     *jsonNumber `json:"shape"`
	ShapeLow  *jsonNumber `json:"shapeLow"`
	ShapeHigh *jsonNumber `json:"shapeHigh"`
	Scale     *jsonNumber `json:"scale"`
	ScaleLow  *jsonNumber `json:"scaleLow"`
	ScaleHigh *jsonNumber `json:"scaleHigh"`
	LogLik    *jsonNumber `json:"logLik"`
	B10       *jsonNumber `json:"b10"`
	PShape1   *jsonNumber `json:"pShape1"`
}

type jsonRank struct {
	Mean      *jsonNumber `json:"mean"`
	Low       *jsonNumber `json:"low"`
	High      *jsonNumber `json:"high"`
	ProbWorst *jsonNumber `json:"probWorst"`
}

type jsonPoint struct {
	Time     *jsonNumber `json:"time"`
	Survival *jsonNumber `json:"survival"`
	Low      *jsonNumber `json:"low"`
	High     *jsonNumber `json:"high"`
}

type jsonUnits struct {
	Inspected int         `json:"inspected"`
	Affected  int         `json:"affected"`
	Share     *jsonNumber `json:"share"`
	Low       *jsonNumber `json:"low"`
	High      *jsonNumber `json:"high"`
}

type jsonParts struct {
	Handled      int         `json:"handled"`
	Tested       int         `json:"tested"`
	InService    int         `json:"inService"`
	Untested     int         `json:"untested"`
	Failed       int         `json:"failed"`
	Degraded     int         `json:"degraded"`
	Secondary    int         `json:"secondary"`
	External     int         `json:"external"`
	LeftOut      int         `json:"leftOut"`
	Share        *jsonNumber `json:"share"`
	Low          *jsonNumber `json:"low"`
	High         *jsonNumber `json:"high"`
	DesignEffect *jsonNumber `json:"designEffect"`
}

type jsonRate struct {
	Events       int         `json:"events"`
	PerYear      *jsonNumber `json:"perYear"`
	Low          *jsonNumber `json:"low"`
	High         *jsonNumber `json:"high"`
	Method       string      `json:"method"`
	LeftCensored *jsonNumber `json:"leftCensored"`
}

// jsonKey keeps the order the keys were asked for.
type jsonKey []KeyPart

func (k jsonKey) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, p := range k {
		if i > 0 {
			b.WriteByte(',')
		}
		name, err := json.Marshal(p.Name)
		if err != nil {
			return nil, err
		}
		value, err := json.Marshal(p.Value)
		if err != nil {
			return nil, err
		}
		b.Write(name)
		b.WriteByte(':')
		b.Write(value)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// jsonNumber is written with six significant digits: more would be noise, and
// would differ between processors.
type jsonNumber float64

func (n jsonNumber) MarshalJSON() ([]byte, error) {
	v, err := strconv.ParseFloat(strconv.FormatFloat(float64(n), 'g', 6, 64), 64)
	if err != nil {
		return nil, err
	}
	return json.Marshal(v)
}

// finite gives null for what is not a finite number.
func finite(v float64) *jsonNumber {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	n := jsonNumber(v)
	return &n
}

func (s Share) limits() lifedata.Interval {
	if s.Interval == nil {
		return lifedata.Interval{Low: math.NaN(), High: math.NaN()}
	}
	return *s.Interval
}

// WriteJSON writes the report as JSON, with the reading of silence that was
// asked for. Shares and limits are null where there is nothing to take them
// from; a rate, a life and a rank are null where they were refused, and a curve
// is empty.
func (r *Report) WriteJSON(w io.Writer) error {
	out := jsonReliability{Schema: 1, Estimand: Estimand, TimeUnit: string(r.Time), Failure: string(r.Failure), Silence: r.Silence,
		By: r.By, Groups: []jsonGroup{}, Notes: r.Notes}
	if !r.AsOf.IsZero() {
		out.AsOf = r.AsOf.String()
	}
	for _, g := range r.Groups {
		u, p := g.Units, g.Parts
		e := g.Life[r.Silence]
		j := jsonGroup{Key: g.Key, RateRefused: e.RateRefused, WeibullRefused: e.WeibullRefused, Curve: []jsonPoint{},
			Units: jsonUnits{Inspected: u.Inspected, Affected: u.Affected},
			Parts: jsonParts{Handled: p.Handled, Tested: p.Tested, InService: p.InService, Untested: p.Untested, Failed: p.Failed,
				Degraded: p.Degraded, Secondary: p.Secondary, External: p.External, LeftOut: p.LeftOut}}
		if u.Inspected > 0 {
			j.Units.Share, j.Units.Low, j.Units.High = finite(u.Share), finite(u.Interval.Low), finite(u.Interval.High)
		}
		if p.Handled > 0 {
			l := p.OfHandled.limits()
			j.Parts.Share, j.Parts.Low, j.Parts.High = finite(p.OfHandled.Share), finite(l.Low), finite(l.High)
			j.Parts.DesignEffect = finite(p.OfHandled.DesignEffect)
		}
		if x := e.Rate; x != nil {
			j.Rate = &jsonRate{Events: x.Events, PerYear: finite(x.PerYear), Low: finite(x.Low), High: finite(x.High),
				Method: string(x.Method), LeftCensored: finite(x.LeftCensored)}
		}
		if w := e.Weibull; w != nil {
			j.Weibull = &jsonWeibull{Shape: finite(w.Shape), ShapeLow: finite(w.ShapeWald.Low), ShapeHigh: finite(w.ShapeWald.High),
				Scale: finite(w.Scale), ScaleLow: finite(w.ScaleWald.Low), ScaleHigh: finite(w.ScaleWald.High),
				LogLik: finite(w.LogLik), B10: finite(w.Quantile(0.1).Value), PShape1: finite(w.PShape1)}
		}
		if k := e.Rank; k != nil {
			j.Rank = &jsonRank{Mean: finite(k.Mean), Low: finite(k.Low), High: finite(k.High), ProbWorst: finite(k.ProbWorst)}
		}
		if e.Curve != nil {
			for _, p := range e.Curve.Points {
				j.Curve = append(j.Curve, jsonPoint{finite(p.Time), finite(p.Survival), finite(p.Low), finite(p.High)})
			}
		}
		out.Groups = append(out.Groups, j)
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(out)
}

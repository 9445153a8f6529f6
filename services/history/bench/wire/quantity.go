package wire

import (
	"math/big"

	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/measure"
	"strandline.example/strandline/internal/yamlproto"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// Quantity reads a quantity. Its error says what is wrong with it and what to do.
func Quantity(p *historypb.Quantity) (measure.Quantity, error) {
	u, err := measure.ParseUnit(symbol(p.GetUnit()))
	if err != nil {
		return measure.Quantity{}, err
	}
	return measure.New(p.GetValue(), u, Reference(p.GetReference()))
}

// symbol is that of a unit; a number has none.
func symbol(s string) string {
	if s == "" {
		return "1"
	}
	return s
}

// Reference reads what a pressure is measured from.
func Reference(r historypb.PressureReference) measure.Reference { return measure.Reference(r) }

// QuantityPB writes a quantity; one that was computed and has no end is rounded to 15 significant digits.
func QuantityPB(q measure.Quantity) *historypb.Quantity {
	out := &historypb.Quantity{Value: q.Value(), Unit: q.Unit().Symbol(), Reference: historypb.PressureReference(q.Reference())}
	if out.Unit == "1" {
		out.Unit = ""
	}
	return out
}

// orNil writes a quantity that may not be there.
func orNil(q *measure.Quantity) *historypb.Quantity {
	if q == nil {
		return nil
	}
	return QuantityPB(*q)
}

// Text is how files write a quantity: `135 psi gauge`.
var Text = yamlproto.Text{Example: "135 psi gauge", Read: func(text string) (proto.Message, error) {
	q, err := measure.Parse(text)
	if err != nil {
		return nil, err
	}
	return QuantityPB(q), nil
}}

// decimal reads a decimal whose pattern was checked; nil for an empty one.
func decimal(s string) *big.Rat {
	if r, ok := new(big.Rat).SetString(s); ok {
		return r
	}
	return nil
}

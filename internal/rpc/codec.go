package rpc

import (
	"google.golang.org/grpc/encoding"
	_ "google.golang.org/grpc/encoding/proto" // registers the codec below
	"google.golang.org/grpc/mem"

	"strandline.example/strandline/internal/errs"
)

// envelope is what the chain receives a message in. gRPC answers by itself, without details, when a codec fails; so this one notes
// the fault in the envelope, and the chain answers.
type envelope struct {
	message any
	fault   error
}

// codec is the protobuf codec for envelopes.
type codec struct {
	encoding.CodecV2
	max int // bytes of one message
}

func newCodec(maxMessage int) codec { return codec{encoding.GetCodecV2("proto"), maxMessage} }

func (c codec) Unmarshal(data mem.BufferSlice, v any) error {
	e, ok := v.(*envelope)
	switch {
	case !ok:
		return c.CodecV2.Unmarshal(data, v)
	case data.Len() > c.max:
		e.fault = errs.New(errs.Exhausted, "RESOURCE_EXHAUSTED", "the message is larger than this server takes")
	default:
		if err := c.CodecV2.Unmarshal(data, e.message); err != nil {
			e.fault = errs.New(errs.Invalid, "INVALID_FIELD", "the message cannot be decoded as the RPC's request").Because(err)
		}
	}
	return nil
}

// receive reads one message through an envelope.
func receive(read func(any) error, message any) error {
	e := envelope{message: message}
	if err := read(&e); err != nil {
		return err
	}
	return e.fault
}

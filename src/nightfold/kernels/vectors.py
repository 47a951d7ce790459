"""One Lanczos sample anywhere in a picture, and the pieces that steps in the compiler's own language are built of.

Compilers do not turn all that could be into vector instructions by themselves. What is written here for LLVM is right, if
slower, on processors without wide registers: it cuts the vectors into what there is.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir
from numba import extending, types

from nightfold.kernels.lanczos import LANES, POWERS

intrinsic: Any = extending.intrinsic  # whose own types count the typing context as an argument of calls
EIGHT = 8
"""Pixels read from each row of a support: two more than there are taps."""

_COEFFICIENTS = np.zeros((len(POWERS), EIGHT), np.float32)
_COEFFICIENTS[:, :6] = POWERS


CONTRACT = ("contract",)


def word(value: int) -> Any:
    return ir.Constant(ir.IntType(64), value)


def lanes_at(builder: Any, start: Any, index: Any, lanes: int = LANES) -> Any:
    """The float32 vector from an index on."""
    vector = ir.VectorType(ir.FloatType(), lanes)
    return builder.load(builder.bitcast(builder.gep(start, [index]), vector.as_pointer()), align=4)


def spread(builder: Any, value: Any, lanes: int) -> Any:
    """A vector of one float32 in all lanes."""
    nothing = ir.Constant(ir.VectorType(ir.FloatType(), lanes), ir.Undefined)
    single = builder.insert_element(nothing, value, ir.Constant(ir.IntType(32), 0))
    return builder.shuffle_vector(single, nothing, ir.Constant(ir.VectorType(ir.IntType(32), lanes), [0] * lanes))


def keep(builder: Any, value: Any, start: Any, index: Any) -> None:
    """Store a float32 vector from an index on."""
    builder.store(value, builder.bitcast(builder.gep(start, [index]), value.type.as_pointer()), align=4)


@intrinsic
def bare(typing_context: Any, array: Any) -> Any:
    """The same array, but its parts are not counted as holders of its memory, which would cost more than short loops.

    Only for arguments of a function, which its caller holds until it returns.
    """
    signature = array(array)

    def codegen(context: Any, builder: Any, made: Any, arguments: Any) -> Any:
        view = context.make_array(made.return_type)(context, builder, arguments[0])
        for name in ("meminfo", "parent"):
            setattr(view, name, ir.Constant(getattr(view, name).type, None))
        return view._getvalue()

    return signature, codegen


@intrinsic
def sample_36(typing_context: Any, pixels: Any, at: Any, width: Any, u: Any, down: Any, lane: Any) -> Any:
    """``sum_j down[j, lane] * sum_i w_i(u) * pixels[at + j * width + i]`` over six rows j and six taps i, float32.

    `pixels` float32 (n,), `down` float32 (6, 16), `u` the fraction across less 1/2. Pixels two past the support are
    read, so that `pixels` must hold them, but have no part in the sum.
    """
    signature = types.float32(pixels, types.int64, types.int64, types.float32, down, types.int64)
    vector = ir.VectorType(ir.FloatType(), EIGHT)

    def codegen(context: Any, builder: Any, made: Any, arguments: Any) -> Any:
        picture = context.make_array(made.args[0])(context, builder, arguments[0]).data
        weights = context.make_array(made.args[4])(context, builder, arguments[4]).data
        first, step, fraction, column = arguments[1], arguments[2], arguments[3], arguments[5]

        def times_plus(a: Any, b: Any, c: Any) -> Any:
            return builder.fadd(builder.fmul(a, b, flags=CONTRACT), c, flags=CONTRACT)

        across = ir.Constant(vector, [float(c) for c in _COEFFICIENTS[-1]])
        x = spread(builder, fraction, EIGHT)
        for row in _COEFFICIENTS[-2::-1]:
            across = times_plus(across, x, ir.Constant(vector, [float(c) for c in row]))
        total = None
        for j in range(6):
            values = lanes_at(builder, picture, builder.add(first, builder.mul(step, word(j))), EIGHT)
            index = builder.add(column, word(j * LANES))
            weight = spread(builder, builder.load(builder.gep(weights, [index])), EIGHT)
            total = builder.fmul(values, weight) if total is None else times_plus(values, weight, total)
        total = builder.fmul(total, across)
        parts = [builder.extract_element(total, ir.Constant(ir.IntType(32), k)) for k in range(6)]
        pairs = [builder.fadd(parts[k], parts[k + 1]) for k in (0, 2, 4)]
        return builder.fadd(builder.fadd(pairs[0], pairs[1]), pairs[2])

    return signature, codegen

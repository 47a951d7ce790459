"""One Lanczos sample anywhere in a picture, with eight pixels of a row at a time in a vector register.

Compilers do not find this by themselves: taps are six, and a sample's place differs from the next one's. Written in the
compiler's own language (LLVM), which makes it right, if slower, on processors without such registers.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic

from nightfold.kernels.lanczos import LANES, POWERS

WIDE = 8
"""Pixels read from each row of a support: two more than there are taps."""

_COEFFICIENTS = np.zeros((len(POWERS), WIDE), np.float32)
_COEFFICIENTS[:, :6] = POWERS


@intrinsic
def sample_36(typing_context: Any, pixels: Any, at: Any, width: Any, u: Any, down: Any, lane: Any) -> Any:
    """``sum_j down[j, lane] * sum_i w_i(u) * pixels[at + j * width + i]`` over six rows j and six taps i, float32.

    `pixels` float32 (n,), `down` float32 (6, 16), `u` the fraction across less 1/2. Pixels two past the support are
    read, so that `pixels` must hold them, but have no part in the sum.
    """
    signature = types.float32(pixels, types.int64, types.int64, types.float32, down, types.int64)
    vector = ir.VectorType(ir.FloatType(), WIDE)
    many = ir.VectorType(ir.IntType(32), WIDE)
    contract = ("contract",)

    def codegen(context: Any, builder: Any, made: Any, arguments: Any) -> Any:
        picture = context.make_array(made.args[0])(context, builder, arguments[0]).data
        weights = context.make_array(made.args[4])(context, builder, arguments[4]).data
        first, step, fraction, column = arguments[1], arguments[2], arguments[3], arguments[5]
        nothing = ir.Constant(vector, ir.Undefined)

        def spread(value: Any) -> Any:
            single = builder.insert_element(nothing, value, ir.Constant(ir.IntType(32), 0))
            return builder.shuffle_vector(single, nothing, ir.Constant(many, [0] * WIDE))

        def times_plus(a: Any, b: Any, c: Any) -> Any:
            return builder.fadd(builder.fmul(a, b, flags=contract), c, flags=contract)

        across = ir.Constant(vector, [float(c) for c in _COEFFICIENTS[-1]])
        x = spread(fraction)
        for row in _COEFFICIENTS[-2::-1]:
            across = times_plus(across, x, ir.Constant(vector, [float(c) for c in row]))
        total = None
        for j in range(6):
            index = builder.add(first, builder.mul(step, ir.Constant(ir.IntType(64), j)))
            place = builder.bitcast(builder.gep(picture, [index]), vector.as_pointer())
            values = builder.load(place, align=4)
            index = builder.add(column, ir.Constant(ir.IntType(64), j * LANES))
            weight = spread(builder.load(builder.gep(weights, [index])))
            total = builder.fmul(values, weight) if total is None else times_plus(values, weight, total)
        total = builder.fmul(total, across)
        parts = [builder.extract_element(total, ir.Constant(ir.IntType(32), k)) for k in range(6)]
        pairs = [builder.fadd(parts[k], parts[k + 1]) for k in (0, 2, 4)]
        return builder.fadd(builder.fadd(pairs[0], pairs[1]), pairs[2])

    return signature, codegen

"""Lanczos samples of 16 pixels at once, and the pieces that steps in the compiler's own language are built of.

Compilers do not turn all that could be into vector instructions by themselves. What is written here for LLVM is right, if
slower, on processors without wide registers: it cuts the vectors into what there is.
"""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import extending, types
from numba.core import cgutils

from nightfold.kernels.lanczos import EVEN, HALF, LANES, ODD

intrinsic: Any = extending.intrinsic  # whose own types count the typing context as an argument of calls
EIGHT = 8
"""Pixels read from each row of a support: two more than there are taps."""
VECTOR = ir.VectorType(ir.FloatType(), LANES)
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


def times_plus(builder: Any, a: Any, b: Any, c: Any) -> Any:
    """``a * b + c``, rounded once where the processor can."""
    return builder.fadd(builder.fmul(a, b, flags=CONTRACT), c, flags=CONTRACT)


def _tap_weights(builder: Any, fraction: Any) -> list[Any]:
    """`nightfold.kernels.lanczos.tap_weights` of a vector, operation by operation."""

    def constant(value: Any) -> Any:
        return ir.Constant(fraction.type, [float(value)] * LANES)

    u = builder.fsub(fraction, constant(HALF))
    x = builder.fmul(u, u)
    pairs = []
    for even, odd in zip(EVEN, ODD, strict=True):
        sums = []
        for powers in (even, odd):
            total = constant(powers[-1])
            for power in powers[-2::-1]:
                total = times_plus(builder, total, x, constant(power))
            sums.append(total)
        pairs.append((sums[0], sums[1]))
    high = [times_plus(builder, odd, u, even) for even, odd in pairs]
    low = [builder.fsub(even, builder.fmul(odd, u, flags=CONTRACT), flags=CONTRACT) for even, odd in pairs]
    return [*high[::-1], *low]


def _row_sum(builder: Any, pixels: Any, first: Any, across: list[Any]) -> Any:
    """The six taps of each of 16 samples side by side, the first of which begins at `first`."""
    total = builder.fmul(across[0], lanes_at(builder, pixels, first), flags=CONTRACT)
    for k in range(1, 6):
        total = times_plus(builder, across[k], lanes_at(builder, pixels, builder.add(first, word(k))), total)
    return total


def _line(builder: Any, start: Any, step: Any) -> Any:
    """``start + step * lane``."""
    lanes = ir.Constant(VECTOR, [float(i) for i in range(LANES)])
    return times_plus(builder, spread(builder, step, LANES), lanes, spread(builder, start, LANES))


def _down_sum(builder: Any, rows: list[Any], down: list[Any]) -> Any:
    total = builder.fmul(down[0], rows[0], flags=CONTRACT)
    for j in range(1, 6):
        total = times_plus(builder, down[j], rows[j], total)
    return total


@intrinsic
def block_36(
    typing_context: Any,
    pixels: Any,
    at: Any,
    width: Any,
    tx: Any,
    dx: Any,
    ty: Any,
    dy: Any,
    line: Any,
    begin: Any,
) -> Any:
    """Fill ``line[begin : begin + 16]`` with samples whose supports lie side by side in `pixels` (n,) from `at` on.

    Rows of `pixels` are `width` apart. Fractions across are ``tx + dx * lane``, down ``ty + dy * lane``, float32.
    """
    number = types.float32
    signature = types.void(pixels, types.int64, types.int64, number, number, number, number, line, types.int64)

    def codegen(context: Any, builder: Any, made: Any, arguments: Any) -> Any:
        picture = context.make_array(made.args[0])(context, builder, arguments[0]).data
        target = context.make_array(made.args[7])(context, builder, arguments[7]).data
        across = _tap_weights(builder, _line(builder, arguments[3], arguments[4]))
        down = _tap_weights(builder, _line(builder, arguments[5], arguments[6]))
        starts = [builder.add(arguments[1], builder.mul(arguments[2], word(j))) for j in range(6)]
        rows = [_row_sum(builder, picture, start, across) for start in starts]
        keep(builder, _down_sum(builder, rows, down), target, arguments[8])
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def crossing_36(
    typing_context: Any,
    pixels: Any,
    at: Any,
    width: Any,
    tx: Any,
    dx: Any,
    ty: Any,
    dy: Any,
    line: Any,
    begin: Any,
) -> Any:
    """As `block_36` where fractions down pass 1: those samples begin a row further down. Seven rows are read."""
    number = types.float32
    signature = types.void(pixels, types.int64, types.int64, number, number, number, number, line, types.int64)

    def codegen(context: Any, builder: Any, made: Any, arguments: Any) -> Any:
        picture = context.make_array(made.args[0])(context, builder, arguments[0]).data
        target = context.make_array(made.args[7])(context, builder, arguments[7]).data
        across = _tap_weights(builder, _line(builder, arguments[3], arguments[4]))
        fraction = _line(builder, arguments[5], arguments[6])
        one = ir.Constant(VECTOR, [1.0] * LANES)
        beyond = builder.fcmp_ordered(">=", fraction, one)
        down = _tap_weights(builder, builder.select(beyond, builder.fsub(fraction, one), fraction))
        starts = [builder.add(arguments[1], builder.mul(arguments[2], word(j))) for j in range(7)]
        rows = [_row_sum(builder, picture, start, across) for start in starts]
        # Chosen, not weighted with 0: pixels without value beyond a sample's support are none of its business.
        chosen = [builder.select(beyond, rows[j + 1], rows[j]) for j in range(6)]
        keep(builder, _down_sum(builder, chosen, down), target, arguments[8])
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def samples_36(
    typing_context: Any, pixels: Any, at: Any, width: Any, across: Any, down: Any, shares: Any, line: Any, begin: Any
) -> Any:
    """Fill ``line[begin : begin + 16]`` with samples that begin anywhere: sample i at ``at[i]`` of `pixels` (n,).

    `across` and `down`, float32 (16,), are the fractions; `shares` (6, 16) is scratch. Eight pixels of each row are read,
    two past the support, so that `pixels` must hold them, but these have no part in the sums.

    Notes
    -----
    Rows are summed up eight pixels side by side, sample by sample; the sums of all samples are then turned over, so that
    the six weights across are reckoned for 16 samples at once.
    """
    signature = types.void(pixels, at, types.int64, across, down, shares, line, types.int64)

    def codegen(context: Any, builder: Any, made: Any, arguments: Any) -> Any:
        def data(index: int) -> Any:
            return context.make_array(made.args[index])(context, builder, arguments[index]).data

        picture, places, weights, width = data(0), data(1), data(5), arguments[2]
        for j, share in enumerate(_tap_weights(builder, lanes_at(builder, data(4), word(0)))):
            keep(builder, share, weights, word(j * LANES))
        summed = []
        for i in range(LANES):
            first = builder.load(builder.gep(places, [word(i)]))
            total = None
            for j in range(6):
                values = lanes_at(builder, picture, builder.add(first, builder.mul(width, word(j))), EIGHT)
                weight = builder.load(builder.gep(weights, [word(j * LANES + i)]))
                share = spread(builder, weight, EIGHT)
                if total is None:
                    total = builder.fmul(values, share)
                else:
                    total = times_plus(builder, values, share, total)
            summed.append(total)
        columns = _turned(builder, summed)
        taps = _tap_weights(builder, lanes_at(builder, data(3), word(0)))
        result = builder.fmul(columns[0], taps[0], flags=CONTRACT)
        for k in range(1, 6):
            result = times_plus(builder, columns[k], taps[k], result)
        keep(builder, result, data(6), arguments[7])
        return context.get_dummy_value()

    return signature, codegen


def _turned(builder: Any, rows: list[Any]) -> list[Any]:
    """The first six columns of 16 rows of eight, each a vector of 16."""

    def shuffle(a: Any, b: Any, wanted: list[int]) -> Any:
        mask = ir.Constant(ir.VectorType(ir.IntType(32), len(wanted)), wanted)
        return builder.shuffle_vector(a, b, mask)

    quarters = range(0, LANES, 4)
    low = [q + k for q in quarters for k in (0, LANES, 1, LANES + 1)]
    high = [q + k for q in quarters for k in (2, LANES + 2, 3, LANES + 3)]
    first = [q + k for q in quarters for k in (0, 1, LANES, LANES + 1)]
    second = [q + k for q in quarters for k in (2, 3, LANES + 2, LANES + 3)]
    groups = []
    for start in (0, EIGHT):
        # Rows k and k + 4 side by side; then squares of four by four are turned, each in its quarter of the vector.
        a, b, c, d = (shuffle(rows[start + k], rows[start + k + 4], list(range(LANES))) for k in range(4))
        ab, cd = shuffle(a, b, low), shuffle(c, d, low)
        ab2, cd2 = shuffle(a, b, high), shuffle(c, d, high)
        groups.append(
            [shuffle(ab, cd, first), shuffle(ab, cd, second), shuffle(ab2, cd2, first), shuffle(ab2, cd2, second)]
        )
    columns = []
    for k in range(6):
        upper = 4 * (k // 4)
        wanted = [q + lane for q in (upper, EIGHT + upper, LANES + upper, LANES + EIGHT + upper) for lane in range(4)]
        columns.append(shuffle(groups[0][k % 4], groups[1][k % 4], wanted))
    return columns


@intrinsic
def calibrate_16(
    typing_context: Any,
    words: Any,
    at: Any,
    dark: Any,
    dark_at: Any,
    flat: Any,
    flat_at: Any,
    turned: Any,
    factor: Any,
    least: Any,
    back: Any,
    out: Any,
    out_at: Any,
) -> Any:
    """Fill 16 pixels of `out` with ``(raw - dark) * factor / flat``, NaN where the flat is at most `least`; how many are NaN.

    `words` uint16 are raw counts as cameras' files hold them, `dark` and `flat` float32 seen as uint32, their bytes in the
    files' order with `turned`; all are plain rows, read from the index that follows each. With `back` the 16 are written
    in the other order.
    """
    index, flag, number = types.int64, types.boolean, types.float32
    signature = types.int64(words, index, dark, index, flat, index, flag, number, number, flag, out, index)
    short = ir.VectorType(ir.IntType(16), LANES)
    whole = ir.VectorType(ir.IntType(32), LANES)

    def codegen(context: Any, builder: Any, made: Any, arguments: Any) -> Any:
        def data(which: int) -> Any:
            return context.make_array(made.args[which])(context, builder, arguments[which]).data

        def load(which: int, vector: Any, align: int) -> Any:
            place = builder.gep(data(which), [arguments[which + 1]])
            return builder.load(builder.bitcast(place, vector.as_pointer()), align=align)

        def swapped(values: Any, bits: int) -> Any:
            kind = ir.FunctionType(values.type, [values.type])
            swap = cgutils.get_or_insert_function(builder.module, kind, f"llvm.bswap.v{LANES}i{bits}")
            return builder.call(swap, [values])

        def plane(which: int) -> Any:
            values = load(which, whole, 4)
            ordered = builder.select(arguments[6], swapped(values, 32), values)
            return builder.bitcast(ordered, VECTOR)

        counts = builder.xor(swapped(load(0, short, 2), 16), ir.Constant(short, [0x8000] * LANES))
        raw = builder.uitofp(builder.zext(counts, whole), VECTOR)
        light = plane(4)
        value = builder.fmul(builder.fsub(raw, plane(2)), spread(builder, arguments[7], LANES))
        value = builder.fdiv(value, light)
        lit = builder.fcmp_ordered(">", light, spread(builder, arguments[8], LANES))
        value = builder.select(lit, value, ir.Constant(VECTOR, [float("nan")] * LANES))
        order = ir.Constant(ir.VectorType(ir.IntType(32), LANES), list(range(LANES))[::-1])
        turned_over = builder.shuffle_vector(value, value, order)
        keep(builder, builder.select(arguments[9], turned_over, value), data(10), arguments[11])
        absent = builder.bitcast(builder.fcmp_unordered("uno", value, value), ir.IntType(LANES))
        return builder.zext(builder.ctpop(absent), ir.IntType(64))

    return signature, codegen

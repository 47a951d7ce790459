"""What is done to the samples of a few pixels at once, in the compiler's own language. Serves `nightfold.kernels.combine`.

Samples of a pixel lie a plane apart, those of its neighbours side by side: 16 pixels make one vector.
"""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils

from nightfold.kernels.lanczos import LANES
from nightfold.kernels.vectors import CONTRACT, VECTOR, intrinsic, keep, lanes_at, spread, word

WIDE = 64
"""Pixels sorted side by side."""
NOTHING = 3e38
"""Stands for a sample that is not there, after all others."""
BITS = ir.VectorType(ir.IntType(1), LANES)
OCTETS = ir.VectorType(ir.IntType(8), LANES)


def _any(builder: Any, bits: Any) -> Any:
    """True if any of 16 is."""
    return builder.icmp_unsigned("!=", builder.bitcast(bits, ir.IntType(LANES)), ir.Constant(ir.IntType(LANES), 0))


def _add(builder: Any, place: Any, wanted: Any, value: Any) -> None:
    """Add to a held vector where that is wanted."""
    held = builder.load(place)
    builder.store(builder.select(wanted, builder.fadd(held, value), held), place)


@intrinsic
def exchange(typing_context: Any, block: Any, low: Any, high: Any) -> Any:
    """Put the lesser of rows `low` and `high` of `block`, float32 (n, 64) without NaN, into `low`, the other into `high`."""
    signature = types.void(block, types.int64, types.int64)

    def codegen(context: Any, builder: Any, made: Any, arguments: Any) -> Any:
        start = context.make_array(made.args[0])(context, builder, arguments[0]).data
        rows = [builder.mul(row, word(WIDE)) for row in arguments[1:]]
        for lane in range(0, WIDE, LANES):
            places = []
            for row in rows:
                index = builder.add(row, word(lane))
                places.append(builder.bitcast(builder.gep(start, [index]), VECTOR.as_pointer()))
            a, b = (builder.load(place, align=4) for place in places)
            less = builder.fcmp_ordered("<", a, b)
            builder.store(builder.select(less, a, b), places[0], align=4)
            builder.store(builder.select(less, b, a), places[1], align=4)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def centre_within(
    typing_context: Any, away: Any, limit: Any, weights: Any, centre: Any, widen: Any, result: Any
) -> Any:
    """Weighted mean over the samples k of 16 pixels with ``(away[k] - centre)^2 <= widen * limit[k]``; NaN is never within.

    `away`, `limit` float32 (n, 16), `weights` float32 (n,), `centre`, `widen` and, filled, `result` float32 (16,); 0 where
    no sample is within. True if any differs from `centre`.
    """
    signature = types.boolean(away, limit, weights, centre, widen, result)

    def codegen(context: Any, builder: Any, made: Any, arguments: Any) -> Any:
        arrays = [context.make_array(t)(context, builder, a) for t, a in zip(made.args, arguments, strict=True)]
        data = [array.data for array in arrays]
        middle, wide = lanes_at(builder, data[3], word(0)), lanes_at(builder, data[4], word(0))
        zero = ir.Constant(VECTOR, [0.0] * LANES)
        total, share = (cgutils.alloca_once_value(builder, zero) for _ in range(2))
        samples = builder.extract_value(arrays[0].shape, 0)
        with cgutils.for_range(builder, samples, intp=ir.IntType(64)) as loop:
            first = builder.mul(loop.index, word(LANES))
            off, most = lanes_at(builder, data[0], first), lanes_at(builder, data[1], first)
            weight = spread(builder, builder.load(builder.gep(data[2], [loop.index])), LANES)
            step = builder.fsub(off, middle)
            within = builder.fcmp_ordered("<=", builder.fmul(step, step), builder.fmul(wide, most))
            _add(builder, total, within, builder.fmul(weight, off))
            _add(builder, share, within, weight)
        weight = builder.load(share)
        mean = builder.fdiv(builder.load(total), weight)
        mean = builder.select(builder.fcmp_ordered(">", weight, zero), mean, zero)
        keep(builder, mean, data[5], word(0))
        return _any(builder, builder.fcmp_unordered("!=", mean, middle))

    return signature, codegen


@intrinsic
def mark_beyond(
    typing_context: Any, away: Any, limit: Any, centre: Any, widen: Any, flags: Any, first: Any, step: Any
) -> Any:
    """Set the 16 bytes of ``flags[first + k * step]`` on to 1 where `centre_within` leaves a sample out, else to 0; NaN is 0.

    `flags` uint8 (m,). True if any is left out.
    """
    signature = types.boolean(away, limit, centre, widen, flags, types.int64, types.int64)

    def codegen(context: Any, builder: Any, made: Any, arguments: Any) -> Any:
        arrays = [context.make_array(t)(context, builder, a) for t, a in zip(made.args[:5], arguments[:5], strict=True)]
        data = [array.data for array in arrays]
        middle, wide = lanes_at(builder, data[2], word(0)), lanes_at(builder, data[3], word(0))
        some = cgutils.alloca_once_value(builder, ir.Constant(BITS, [0] * LANES))
        samples = builder.extract_value(arrays[0].shape, 0)
        with cgutils.for_range(builder, samples, intp=ir.IntType(64)) as loop:
            at = builder.mul(loop.index, word(LANES))
            off, most = lanes_at(builder, data[0], at), lanes_at(builder, data[1], at)
            away_by = builder.fsub(off, middle)
            beyond = builder.fcmp_ordered(">", builder.fmul(away_by, away_by), builder.fmul(wide, most))
            index = builder.add(arguments[5], builder.mul(loop.index, arguments[6]))
            place = builder.bitcast(builder.gep(data[4], [index]), OCTETS.as_pointer())
            builder.store(builder.zext(beyond, OCTETS), place, align=1)
            builder.store(builder.or_(builder.load(some), beyond), some)
        return _any(builder, builder.load(some))

    return signature, codegen


@intrinsic
def load_full(typing_context: Any, stack: Any, first: Any, step: Any, block: Any) -> Any:
    """Copy the 64 samples of ``stack[first + k * step]`` on into row k of `block` (n, 64); False if any of them is NaN."""
    signature = types.boolean(stack, types.int64, types.int64, block)

    def codegen(context: Any, builder: Any, made: Any, arguments: Any) -> Any:
        source = context.make_array(made.args[0])(context, builder, arguments[0]).data
        target = context.make_array(made.args[3])(context, builder, arguments[3])
        missing = cgutils.alloca_once_value(builder, ir.Constant(BITS, [0] * LANES))
        samples = builder.extract_value(target.shape, 0)
        with cgutils.for_range(builder, samples, intp=ir.IntType(64)) as loop:
            row = builder.add(arguments[1], builder.mul(loop.index, arguments[2]))
            for lane in range(0, WIDE, LANES):
                values = lanes_at(builder, source, builder.add(row, word(lane)))
                absent = builder.fcmp_unordered("uno", values, values)
                builder.store(builder.or_(builder.load(missing), absent), missing)
                index = builder.add(builder.mul(loop.index, word(WIDE)), word(lane))
                keep(builder, values, target.data, index)
        return builder.not_(_any(builder, builder.load(missing)))

    return signature, codegen


def _variance(builder: Any, entry: Any, trait: Any, middle: Any) -> Any:
    """Noise of one sub at the levels `middle`: ``constant + l * (slope + quadratic * l)``, l = max(middle + surface, floor)."""

    def number(start: Any, index: int) -> Any:
        return spread(builder, builder.load(builder.gep(start, [word(index)])), LANES)

    light = builder.fadd(middle, number(entry, 2))
    floor = number(trait, 1)
    light = builder.select(builder.fcmp_ordered(">", light, floor), light, floor)
    slope = builder.fadd(number(entry, 1), builder.fmul(number(trait, 0), light, flags=CONTRACT), flags=CONTRACT)
    return builder.fadd(number(entry, 0), builder.fmul(slope, light, flags=CONTRACT), flags=CONTRACT)


@intrinsic
def limits_of(
    typing_context: Any,
    stack: Any,
    first: Any,
    step: Any,
    entry: Any,
    traits: Any,
    k2: Any,
    middle: Any,
    extra: Any,
    away: Any,
    limit: Any,
) -> Any:
    """Fill `away` (n, 16) with the samples ``stack[first + k * step]`` on less `middle`, `limit` with what may be kept.

    That is `k2` times the noise of `entry` (n, 3) and `traits` (n, 4) and of `extra` (16) times the leeway; see
    `nightfold.kernels.combine`.
    """
    signature = types.void(stack, types.int64, types.int64, entry, traits, types.float32, middle, extra, away, limit)

    def codegen(context: Any, builder: Any, made: Any, arguments: Any) -> Any:
        def data(index: int) -> Any:
            return context.make_array(made.args[index])(context, builder, arguments[index]).data

        samples = builder.extract_value(context.make_array(made.args[8])(context, builder, arguments[8]).shape, 0)
        level, more = lanes_at(builder, data(6), word(0)), lanes_at(builder, data(7), word(0))
        factor = spread(builder, arguments[5], LANES)
        with cgutils.for_range(builder, samples, intp=ir.IntType(64)) as loop:
            own = builder.gep(data(3), [builder.mul(loop.index, word(3))])
            trait = builder.gep(data(4), [builder.mul(loop.index, word(4))])
            values = lanes_at(builder, data(0), builder.add(arguments[1], builder.mul(loop.index, arguments[2])))
            row = builder.mul(loop.index, word(LANES))
            keep(builder, builder.fsub(values, level), data(8), row)
            ease = spread(builder, builder.load(builder.gep(trait, [word(2)])), LANES)
            variance = builder.fadd(
                _variance(builder, own, trait, level), builder.fmul(ease, more, flags=CONTRACT), flags=CONTRACT
            )
            keep(builder, builder.fmul(factor, variance), data(9), row)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def mean_of_kept(
    typing_context: Any,
    stack: Any,
    flags: Any,
    first: Any,
    step: Any,
    entry: Any,
    traits: Any,
    middle: Any,
    image: Any,
    variance: Any,
    used: Any,
    covered: Any,
    spread_of_all: Any,
) -> Any:
    """Combine the samples of 16 pixels at ``first + k * step`` of `stack` and, of the same layout, `flags`.

    Filled, each of 16: of the samples whose flag is 0 the weighted mean `image`, its `variance`, and their number `used`
    (int32); of all samples that are not NaN the summed weight `covered`, and `spread_of_all`, squared weight times noise.
    Where no sample is left, mean and variance are NaN, and False comes back.
    """
    signature = types.boolean(
        stack, flags, types.int64, types.int64, entry, traits, middle, image, variance, used, covered, spread_of_all
    )

    def codegen(context: Any, builder: Any, made: Any, arguments: Any) -> Any:
        def data(index: int) -> Any:
            return context.make_array(made.args[index])(context, builder, arguments[index]).data

        samples = builder.extract_value(context.make_array(made.args[4])(context, builder, arguments[4]).shape, 0)
        level = lanes_at(builder, data(6), word(0))
        zero, one = (ir.Constant(VECTOR, [value] * LANES) for value in (0.0, 1.0))
        total, share, noise, number, all_share, all_noise = (cgutils.alloca_once_value(builder, zero) for _ in range(6))
        with cgutils.for_range(builder, samples, intp=ir.IntType(64)) as loop:
            own = builder.gep(data(4), [builder.mul(loop.index, word(3))])
            trait = builder.gep(data(5), [builder.mul(loop.index, word(4))])
            index = builder.add(arguments[2], builder.mul(loop.index, arguments[3]))
            off = builder.fsub(lanes_at(builder, data(0), index), level)
            mark = builder.load(builder.bitcast(builder.gep(data(1), [index]), OCTETS.as_pointer()), align=1)
            weight = spread(builder, builder.load(builder.gep(trait, [word(3)])), LANES)
            there = builder.fcmp_ordered("ord", off, off)
            kept = builder.and_(there, builder.icmp_unsigned("==", mark, ir.Constant(OCTETS, [0] * LANES)))
            part = builder.fmul(builder.fmul(weight, weight), _variance(builder, own, trait, level))
            _add(builder, total, kept, builder.fmul(weight, off))
            _add(builder, share, kept, weight)
            _add(builder, noise, kept, part)
            _add(builder, number, kept, one)
            _add(builder, all_share, there, weight)
            _add(builder, all_noise, there, part)
        weight = builder.load(share)
        keep(builder, builder.fadd(level, builder.fdiv(builder.load(total), weight)), data(7), word(0))
        keep(builder, builder.fdiv(builder.load(noise), builder.fmul(weight, weight)), data(8), word(0))
        counts = builder.fptosi(builder.load(number), ir.VectorType(ir.IntType(32), LANES))
        keep(builder, counts, data(9), word(0))
        keep(builder, builder.load(all_share), data(10), word(0))
        keep(builder, builder.load(all_noise), data(11), word(0))
        return builder.not_(_any(builder, builder.fcmp_ordered("==", weight, zero)))

    return signature, codegen


@intrinsic
def mean_of_all(
    typing_context: Any,
    count: Any,
    samples: Any,
    middle: Any,
    known: Any,
    terms: Any,
    floor: Any,
    whole: Any,
    image: Any,
    variance: Any,
    used: Any,
    covered: Any,
) -> Any:
    """Write 16 pixels that keep all their `samples`: `known` mean, variance ``terms @ (1, m, m^2)`` of the level m.

    `terms` float32 (3,). True if these pixels have all samples and levels `middle` of at least `floor`; else what was
    written is not theirs.
    """
    signature = types.boolean(
        count, types.int32, middle, known, terms, types.float32, types.float32, image, variance, used, covered
    )

    def codegen(context: Any, builder: Any, made: Any, arguments: Any) -> Any:
        def data(index: int) -> Any:
            return context.make_array(made.args[index])(context, builder, arguments[index]).data

        whole_numbers = ir.VectorType(ir.IntType(32), LANES)
        place = builder.bitcast(builder.gep(data(0), [word(0)]), whole_numbers.as_pointer())
        counts = builder.load(place, align=4)
        nothing = ir.Constant(whole_numbers, ir.Undefined)
        single = builder.insert_element(nothing, arguments[1], ir.Constant(ir.IntType(32), 0))
        wanted = builder.shuffle_vector(single, nothing, ir.Constant(whole_numbers, [0] * LANES))
        level = lanes_at(builder, data(2), word(0))
        t0, t1, t2 = (spread(builder, builder.load(builder.gep(data(4), [word(i)])), LANES) for i in range(3))
        slope = builder.fadd(t1, builder.fmul(level, t2, flags=CONTRACT), flags=CONTRACT)
        keep(builder, lanes_at(builder, data(3), word(0)), data(7), word(0))
        noise = builder.fadd(t0, builder.fmul(level, slope, flags=CONTRACT), flags=CONTRACT)
        keep(builder, noise, data(8), word(0))
        keep(builder, wanted, data(9), word(0))
        keep(builder, spread(builder, arguments[6], LANES), data(10), word(0))
        odd = builder.or_(
            builder.icmp_signed("!=", counts, wanted),
            builder.not_(builder.fcmp_ordered(">=", level, spread(builder, arguments[5], LANES))),
        )
        return builder.not_(_any(builder, odd))

    return signature, codegen

#!/usr/bin/env python3
"""Small TFLite -> ONNX converter for the MediaPipe BlazePose models.

Needs only:  pip install tflite onnx numpy   (no TensorFlow).
Handles: CONV_2D, DEPTHWISE_CONV_2D, ADD, PAD, MAX_POOL_2D, RESIZE_BILINEAR, RESHAPE,
LOGISTIC, CONCATENATION, DEPTH_TO_SPACE, DEQUANTIZE (fp16 const -> fp32 const),
DENSIFY (block-sparse const -> dense const). Any other op: hard error.

Internally NCHW (what ONNX Conv wants). 4-D graph inputs are transposed once (or declared
NCHW with --nchw); RESHAPE and 4-D CONCATENATION are done in the right layout.

usage: tflite_to_onnx.py in.tflite out.onnx [--nchw] [--keep 0,1,3,4] [--names a,b,c,d] [--u8 LO,HI]
  --keep   indices of TFLite outputs to keep (pruning what they alone need)
  --names  names for the kept outputs
  --u8 LO,HI  input becomes uint8 NHWC, (x/255*(HI-LO)+LO) folded into the graph head
"""
import argparse, sys
import numpy as np, onnx
from onnx import helper as H, numpy_helper as NH, TensorProto as TP
import tflite
from tflite.Model import Model

BO = {v: k for k, v in vars(tflite.BuiltinOperator).items() if isinstance(v, int)}
DT = {tflite.TensorType.FLOAT32: np.float32, tflite.TensorType.FLOAT16: np.float16,
      tflite.TensorType.INT32: np.int32, tflite.TensorType.INT64: np.int64,
      tflite.TensorType.INT8: np.int8, tflite.TensorType.UINT8: np.uint8}

def densify(sp, raw, shape):
    """TFLite SparsityParameters -> dense array (TFLite kernels/internal/utils/sparsity_format_converter)."""
    order = sp.TraversalOrderAsNumpy(); nd = len(shape)
    bmap = sp.BlockMapAsNumpy() if sp.BlockMapLength() else np.zeros(0, np.int32)
    meta = []
    for i in range(sp.DimMetadataLength()):
        m = sp.DimMetadata(i)
        if m.Format() == 0: meta.append(('D', m.DenseSize(), None))
        else:
            def vec(t, tab):
                c = {1: tflite.Int32Vector, 2: tflite.Uint16Vector, 3: tflite.Uint8Vector}[t]()
                c.Init(tab.Bytes, tab.Pos); return c.ValuesAsNumpy()
            meta.append(('S', vec(m.ArraySegmentsType(), m.ArraySegments()), vec(m.ArrayIndicesType(), m.ArrayIndices())))
    bsize = [meta[nd + i][1] for i in range(len(bmap))]      # block dims are dense
    blocked = list(shape)
    for b, d in enumerate(bmap): blocked[d] //= bsize[b]
    out = np.zeros(int(np.prod(shape)), raw.dtype).reshape(shape)
    pos = 0
    def rec(level, idx, prev):
        nonlocal pos
        if level == len(meta):
            full = [0] * nd
            for l, d in enumerate(order):
                if d < nd: full[d] += idx[l] * (bsize[list(bmap).index(d)] if d in bmap else 1)
                else: full[bmap[d - nd]] += idx[l]
            out[tuple(full)] = raw[prev]; return
        k, a, b = meta[level]
        if k == 'D':
            for i in range(a): rec(level + 1, idx + [i], prev * a + i)
        else:
            for j in range(int(a[prev]), int(a[prev + 1])): rec(level + 1, idx + [int(b[j])], j)
    rec(0, [], 0)
    return out

class Conv:
    def __init__(s, path, a):
        s.m = Model.GetRootAsModel(open(path, 'rb').read(), 0); s.g = s.m.Subgraphs(0); s.a = a
        s.nodes = []; s.inits = {}; s.const = {}; s.n = 0
        s.layout = {}                     # tensor idx -> 'NCHW' | 'NHWC'
    def shape(s, i): return [int(x) for x in s.g.Tensors(i).ShapeAsNumpy()]
    def nm(s, i): return f't{i}'
    def add(s, op, ins, outs, **kw): s.nodes.append(H.make_node(op, ins, outs, name=f'{op}_{len(s.nodes)}', **kw))
    def init(s, arr, name=None):
        name = name or f'c{len(s.inits)}'; s.inits[name] = NH.from_array(np.ascontiguousarray(arr), name); return name
    def tmp(s): s.n += 1; return f'x{s.n}'
    def getc(s, i):
        if i in s.const: return s.const[i]
        t = s.g.Tensors(i); b = s.m.Buffers(t.Buffer())
        if b.DataLength() == 0: return None
        raw = np.frombuffer(b.DataAsNumpy().tobytes(), DT[t.Type()])
        if t.Sparsity() is not None: raw = densify(t.Sparsity(), raw, s.shape(i))
        s.const[i] = raw.reshape(s.shape(i)); return s.const[i]
    def as_nhwc(s, i):
        if s.layout.get(i) != 'NCHW': return s.nm(i)
        o = s.tmp(); s.add('Transpose', [s.nm(i)], [o], perm=[0, 2, 3, 1]); return o
    def act(s, code, src, out):
        A = tflite.ActivationFunctionType
        if code == A.RELU: s.add('Relu', [src], [out])
        elif code == A.RELU6: s.add('Clip', [src, s.init(np.float32(0)), s.init(np.float32(6))], [out])
        else: raise SystemExit(f'activation {code}')
    def fused(s, code, out):
        return (out, None) if code == 0 else (s.tmp(), code)
    def samepad(s, ih, iw, kh, kw, sh, sw, dh=1, dw=1):
        r = []
        for n, k, st, d in ((ih, kh, sh, dh), (iw, kw, sw, dw)):
            e = (k - 1) * d + 1; o = -(-n // st); p = max((o - 1) * st + e - n, 0); r.append((p // 2, p - p // 2))
        return [r[0][0], r[1][0], r[0][1], r[1][1]]
    def op(s, o):
        oc = s.m.OperatorCodes(o.OpcodeIndex()); b = max(oc.BuiltinCode(), oc.DeprecatedBuiltinCode()); k = BO[b]
        I = [int(x) for x in o.InputsAsNumpy()]; O = int(o.OutputsAsNumpy()[0]); out = s.nm(O); bo = o.BuiltinOptions()
        def opt(cls):
            c = cls(); c.Init(bo.Bytes, bo.Pos); return c
        if k in ('DEQUANTIZE', 'DENSIFY'):
            c = s.getc(I[0]); assert c is not None, 'only constants'
            s.const[O] = c.astype(np.float32) if k == 'DEQUANTIZE' else c; return
        if k in ('CONV_2D', 'DEPTHWISE_CONV_2D'):
            dw = k[0] == 'D'
            p = opt(tflite.DepthwiseConv2DOptions if dw else tflite.Conv2DOptions)
            w = s.getc(I[1]).astype(np.float32); bias = s.getc(I[2]).astype(np.float32)
            _, ih, iw, ic = s.shape(I[0]); kh, kw = w.shape[1:3]; sh, sw = p.StrideH(), p.StrideW(); d = (p.DilationHFactor(), p.DilationWFactor())
            if dw: assert w.shape[3] == ic; W = w.transpose(3, 0, 1, 2); grp = ic
            else: W = w.transpose(0, 3, 1, 2); grp = 1
            pads = s.samepad(ih, iw, kh, kw, sh, sw, *d) if p.Padding() == 0 else [0] * 4
            y, code = s.fused(p.FusedActivationFunction(), out)
            s.add('Conv', [s.nm(I[0]), s.init(W), s.init(bias)], [y], kernel_shape=[kh, kw], strides=[sh, sw], dilations=list(d), pads=pads, group=grp)
            if code: s.act(code, y, out)
            s.layout[O] = 'NCHW'
        elif k == 'ADD':
            p = opt(tflite.AddOptions); y, code = s.fused(p.FusedActivationFunction(), out)
            ins = []
            for i in I:
                c = s.getc(i); assert c is None, 'const add'
                ins.append(s.nm(i))
            s.add('Add', ins, [y]); s.layout[O] = s.layout[I[0]]
            if code: s.act(code, y, out)
        elif k == 'PAD':
            pd = s.getc(I[1]); assert s.layout[I[0]] == 'NCHW'; q = pd[[0, 3, 1, 2]]
            s.add('Pad', [s.nm(I[0]), s.init(np.concatenate([q[:, 0], q[:, 1]]).astype(np.int64))], [out], mode='constant'); s.layout[O] = 'NCHW'
        elif k == 'MAX_POOL_2D':
            p = opt(tflite.Pool2DOptions); _, ih, iw, _ = s.shape(I[0])
            pads = s.samepad(ih, iw, p.FilterHeight(), p.FilterWidth(), p.StrideH(), p.StrideW()) if p.Padding() == 0 else [0] * 4
            assert p.FusedActivationFunction() == 0
            s.add('MaxPool', [s.nm(I[0])], [out], kernel_shape=[p.FilterHeight(), p.FilterWidth()], strides=[p.StrideH(), p.StrideW()], pads=pads); s.layout[O] = 'NCHW'
        elif k == 'RESIZE_BILINEAR':
            p = opt(tflite.ResizeBilinearOptions); h, w = [int(x) for x in s.getc(I[1])]; c = s.shape(I[0])[3]
            mode = 'align_corners' if p.AlignCorners() else ('half_pixel' if p.HalfPixelCenters() else 'asymmetric')
            _, ih, iw, _ = s.shape(I[0])
            s.add('Resize', [s.nm(I[0]), '', s.init(np.array([1, 1, h / ih, w / iw], np.float32))], [out], mode='linear', coordinate_transformation_mode=mode); s.layout[O] = 'NCHW'
        elif k == 'RESHAPE':
            s.add('Reshape', [s.as_nhwc(I[0]), s.init(np.array(s.shape(O), np.int64))], [out]); s.layout[O] = 'NHWC'
        elif k == 'LOGISTIC':
            s.add('Sigmoid', [s.nm(I[0])], [out]); s.layout[O] = s.layout[I[0]]
        elif k == 'CONCATENATION':
            p = opt(tflite.ConcatenationOptions); lay = {s.layout[i] for i in I}; assert len(lay) == 1
            ax = p.Axis(); r = len(s.shape(I[0])); ax = ax % r
            if lay == {'NCHW'}: ax = {0: 0, 1: 2, 2: 3, 3: 1}[ax]
            s.add('Concat', [s.nm(i) for i in I], [out], axis=ax); s.layout[O] = lay.pop()
        elif k == 'DEPTH_TO_SPACE':
            p = opt(tflite.DepthToSpaceOptions)
            s.add('DepthToSpace', [s.nm(I[0])], [out], blocksize=p.BlockSize(), mode='DCR'); s.layout[O] = 'NCHW'
        else: raise SystemExit(f'unsupported op {k}')
    def run(s):
        a = s.a; i0 = int(s.g.Inputs(0)); n, h, w, c = s.shape(i0)
        if a.u8:
            lo, hi = map(float, a.u8.split(',')); vi = H.make_tensor_value_info('image', TP.UINT8, [n, h, w, c])
            s.add('Cast', ['image'], ['xf'], to=TP.FLOAT)
            s.add('Mul', ['xf', s.init(np.float32((hi - lo) / 255))], ['xm' if lo else 'xs']);
            if lo: s.add('Add', ['xm', s.init(np.float32(lo))], ['xs'])
            s.add('Transpose', ['xs'], [s.nm(i0)], perm=[0, 3, 1, 2])
        elif a.nchw:
            vi = H.make_tensor_value_info(s.nm(i0), TP.FLOAT, [n, c, h, w])
        else:
            vi = H.make_tensor_value_info('image', TP.FLOAT, [n, h, w, c]); s.add('Transpose', ['image'], [s.nm(i0)], perm=[0, 3, 1, 2])
        s.layout[i0] = 'NCHW'
        for j in range(s.g.OperatorsLength()): s.op(s.g.Operators(j))
        keep = [int(x) for x in a.keep.split(',')] if a.keep else list(range(s.g.OutputsLength()))
        names = a.names.split(',') if a.names else [f'out{k}' for k in keep]
        outs = []
        for k, nm in zip(keep, names):
            i = int(s.g.Outputs(k)); s.add('Identity', [s.as_nhwc(i)], [nm]); outs.append(H.make_tensor_value_info(nm, TP.FLOAT, s.shape(i)))
        need = {o.name for o in outs}; live = []
        for nd in reversed(s.nodes):
            if any(o in need for o in nd.output): live.append(nd); need.update(x for x in nd.input if x)
        live.reverse()
        g = H.make_graph(live, 'blazepose', [vi], outs, [t for n_, t in s.inits.items() if n_ in need])
        m = H.make_model(g, opset_imports=[H.make_opsetid('', 13)], producer_name="dawnsheet"); m.ir_version = 8
        onnx.checker.check_model(m); return m

if __name__ == '__main__':
    ap = argparse.ArgumentParser(); ap.add_argument('src'); ap.add_argument('dst'); ap.add_argument('--nchw', action='store_true')
    ap.add_argument('--keep'); ap.add_argument('--names'); ap.add_argument('--u8'); a = ap.parse_args()
    m = Conv(a.src, a).run(); onnx.save(m, a.dst); print(a.dst, len(m.graph.node), 'nodes', len(m.SerializeToString()), 'bytes')

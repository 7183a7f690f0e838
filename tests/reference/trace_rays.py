"""Energy-time reference for the platform, independent of the project: Monte Carlo rays in the box open at its front.

Rays carry seven octave energies; each hit is specular or Lambert-diffuse by chance 1/2 with weights 2(1-s_b) and 2 s_b,
so that one set of rays serves every band. The receiver is a disc on the open front plane around (0, 0, pick_z), radius R;
intensity = energy/(area |cos|). Energies are given in dB against the direct sound of an even source of the same power
at the same pickup. Runs on a GPU with torch (CPU works, slowly).
usage: trace_rays.py SEATS.json OUT.csv [RAYS]
"""
import json, sys, math, csv, time
import torch
dev = 'cuda' if torch.cuda.is_available() else 'cpu'
FIN = dict(timber_platform=[.10,.07,.06,.06,.06,.06,.06], timber=[.18,.12,.10,.09,.08,.07,.07], plasterboard=[.2,.15,.1,.08,.04,.02,.02],
 plaster=[.01,.02,.02,.03,.03,.04,.04], brick=[.08,.09,.12,.16,.22,.24,.24], concrete=[.01,.01,.02,.02,.02,.05,.05],
 carpet=[.08,.08,.3,.6,.75,.8,.8], curtain=[.3,.45,.65,.56,.59,.71,.71], mineral_wool=[.15,.7,.6,.6,.85,.9,.9])
FM = [1000*10**(.3*(b-3)) for b in range(7)]
EDGES_MS = [0, 3, 6, 10, 20, 30, 46, 80, 150, 500]
def air_db(f, T=20., h=50.):
    K=T+273.15; r=K/293.15; s=10**(-6.8346*(273.16/K)**1.261+4.6151); hh=h*s
    o=24+4.04e4*hh*(.02+hh)/(.391+hh); n=r**-.5*(9+280*hh*math.exp(-4.170*(r**(-1/3)-1))); f2=f*f
    return 8.686*f2*(1.84e-11*math.sqrt(r)+r**-2.5*(.01275*math.exp(-2239.1/K)/(o+f2/o)+.1068*math.exp(-3352/K)/(n+f2/n)))
C = 331.3*math.sqrt(1+20/273.15); M = torch.tensor([air_db(f)/(10*math.log10(math.e)) for f in FM], device=dev)
GAMMA2 = .35   # variance of free paths: Kuttruff, Room Acoustics, 0.34 for a cube, 0.36 for 1:1:2 (from memory)
SIG = dict(flat=dict(floor=[.5]*7, wall=[.2]*7), bands=dict(floor=[.2,.3,.4,.5,.5,.6,.6], wall=[.1,.1,.15,.2,.25,.3,.3]))
def platform(p):
    W,D,H,T=p['W'],p['D'],p['H'],p['T']; f=lambda k: torch.tensor(FIN[p[k]],device=dev)
    V=W*D*H; S=2*(W*D+W*H+D*H); bare=(W*D*(f('floor')+f('canopy'))+W*H*f('rear')+2*D*H*f('sides')+W*H)/S
    # 1 - a from the decay that is asked for: Eyring with Kuttruff's allowance for unequal paths, T = 24 ln10 V/(c S L (1 - g L/2)), L = -ln(1-a)
    k=24*math.log(10)*V/(C*S*T); g=p.get('gamma2',GAMMA2); L=k if g==0 else (1-math.sqrt(max(0.,1-2*g*k)))/g
    beta=max(0., float(1-math.exp(-L)/(1-(bare[2]+bare[3])/2)))
    al=torch.stack([f('sides'),f('sides'),f('rear'),f('floor'),f('canopy')])      # left right rear floor canopy
    return al, beta
def one(seat, p, sig, qf, rays, batch=4_000_000):
    """returns energy[pair(2), window, band] per unit source power, batches stacked for the spread"""
    al,beta=platform(p); W,D,H=p['W'],p['D'],p['H']; rec=torch.tensor([0.,0.,p['pick_z']],device=dev); R=.5; A=math.pi*R*R
    s=SIG[sig]; sg=torch.tensor([s['wall'],s['wall'],s['wall'],s['floor'],s['wall']],device=dev)
    src=torch.tensor(seat['place'],device=dev,dtype=torch.float32); t0=float((src-rec).norm())/C
    edges=torch.tensor(EDGES_MS,device=dev,dtype=torch.float32)/1000; nb=len(EDGES_MS)-1
    ax=None
    if qf: ax=torch.tensor(qf['axis'],device=dev,dtype=torch.float32); ax=ax/ax.norm(); Q=torch.tensor(qf['Q'],device=dev); L=torch.tensor(qf['leak'],device=dev); nn=((1-L)/(1/Q-L)-1)   # 2n
    capax=[torch.tensor([math.sin(a),math.cos(a),0.],device=dev) for a in (-math.radians(55),math.radians(55))]
    out=[]
    for _ in range(max(1,rays//batch)):
        u=torch.randn(batch,3,device=dev); u/=u.norm(dim=1,keepdim=True); e=torch.full((batch,7),1./batch,device=dev)
        if qf: e=e*Q*(L+(1-L)*((1+(u@ax).clamp(-1,1))[:,None]/2).clamp_min(1e-9)**nn)
        x=src.expand(batch,3).clone(); t=torch.zeros(batch,device=dev); hits=torch.zeros(batch,device=dev,dtype=torch.int16)
        acc=torch.zeros(2,nb*7,device=dev,dtype=torch.float64)
        lo=torch.tensor([-W/2,0.,0.],device=dev); hi=torch.tensor([W/2,D,H],device=dev)
        for b in range(120):
            k_=torch.where(u>0,(hi-x)/u,(lo-x)/u); k_=torch.where(u.abs()<1e-9,torch.full_like(k_,1e9),k_).clamp_min(1e-7)
            d,k=k_.min(dim=1); x=x+u*d[:,None]; t=t+d/C; e=e*torch.exp(-M*d[:,None])
            front=(k==1)&(u[:,1]<0)
            hit=front&((x[:,0]-rec[0])**2+(x[:,2]-rec[2])**2<R*R)&(hits>0)
            if hit.any():
                late=t[hit]-t0; w=torch.bucketize(late,edges,right=True)-1; ok=(w>=0)&(w<nb)
                ee=(e[hit]/(A*u[hit,1].abs()[:,None].clamp_min(.02)))[ok]; w=w[ok]; inc=-u[hit][ok]   # towards the source
                m2=sum((.5+.5*(inc@a))**2 for a in capax)
                idx=(w[:,None]*7+torch.arange(7,device=dev)).reshape(-1)
                acc[0].index_add_(0,idx,ee.double().reshape(-1)); acc[1].index_add_(0,idx,(ee*m2[:,None]).double().reshape(-1))
            keep=~front&(t<t0+EDGES_MS[-1]/1000+.05)
            x,u,e,t,k,hits=x[keep],u[keep],e[keep],t[keep],k[keep],hits[keep]
            if len(t)==0: break
            face=torch.where(k==0,(u[:,0]>0).long(),torch.where(k==1,torch.full_like(k,2),torch.where(u[:,2]<0,torch.full_like(k,3),torch.full_like(k,4))))
            nrm=torch.zeros_like(u); ar=torch.arange(len(k),device=dev); nrm[ar,k]=-torch.sign(u[ar,k])
            spec=u.clone(); spec[ar,k]*=-1
            lam=torch.randn_like(u); lam/=lam.norm(dim=1,keepdim=True); lam=lam+nrm; lam/=lam.norm(dim=1,keepdim=True).clamp_min(1e-9)
            df=torch.rand(len(k),device=dev)<.5
            e=e*(1-al[face])*(1-beta)*torch.where(df[:,None],2*sg[face],2*(1-sg[face]))
            u=torch.where(df[:,None],lam,spec); hits=hits+1
            keep=e.amax(1)*batch>1e-7
            x,u,e,t,hits=x[keep],u[keep],e[keep],t[keep],hits[keep]
        out.append(acc)
    out=torch.stack(out); r2=(t0*C)**2; inc=(src-rec)/(src-rec).norm(); dm=torch.tensor([1.,float(sum((.5+.5*(inc@a))**2 for a in capax))],device=dev)
    ref=dm/(4*math.pi*r2)
    mean=(out.mean(0)/ref[:,None]).reshape(2,nb,7).cpu(); sd=(out.std(0)/math.sqrt(len(out))/ref[:,None]).reshape(2,nb,7).cpu() if len(out)>1 else mean*0
    return mean, sd
if __name__=='__main__':
    job=json.load(open(sys.argv[1])); rays=int(float(sys.argv[3])) if len(sys.argv)>3 else 40_000_000
    with open(sys.argv[2],'w',newline='') as f:
        w=csv.writer(f); w.writerow('platform seat scattering source x_m y_m z_m pair from_ms to_ms'.split()+[f'dB_{n}' for n in (125,250,500,1000,2000,4000,8000)]+['sd_1000_dB'])
        for seat in job['seats']:
            p=job['platforms'][seat['platform']]
            for sig in job.get('scattering',['flat','bands']):
                for name in seat.get('sources',['even']):
                    tt=time.time(); qf=job['sources'].get(name); 
                    if qf and 'axis' not in qf: qf=dict(qf,axis=seat['axes'][name])
                    m,s=one(seat,p,sig,qf,rays)
                    for pi,pn in enumerate(('spaced omnis','near-coincident')):
                        for b in range(len(EDGES_MS)-1):
                            db=[round(10*math.log10(max(v,1e-12)),2) for v in m[pi,b].tolist()]
                            sd=round(4.343*float(s[pi,b,3]/max(float(m[pi,b,3]),1e-12)),2)
                            w.writerow([seat['platform'],seat['name'],sig,name,*[round(v,3) for v in seat['place']],pn,EDGES_MS[b],EDGES_MS[b+1],*db,sd])
                    f.flush(); print(seat['name'],sig,name,f'{time.time()-tt:.1f} s',flush=True)
